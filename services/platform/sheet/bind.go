package sheet

import (
	"slices"
	"strings"

	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/quantity"
)

// Kind is what the cells of a column hold.
type Kind int

// The kinds, each with its canonical text.
const (
	Text    Kind = iota // as it stands, without spaces at the ends
	Number              // a plain decimal with a point
	Integer             // digits, perhaps with a minus
	Time                // RFC 3339 in UTC, to the microsecond
	Date                // 2006-01-02
	Bool                // "true" or "false"
	Amount              // a plain decimal whose unit stands in the column's name
	Hours               // hours as 1234.5 or 1234:30; canonical are whole seconds
)

// Want is a column that a reader knows.
type Want struct {
	Name      string   // snake_case; an Amount's without its unit
	Aliases   []string // other names for it
	Kind      Kind
	Dimension quantity.Dimension // of an Amount
	Required  bool               // the table has the column and no cell of it is blank
	Range     *Range             // where an Amount's values usually lie
}

// Range is where values usually lie, in the base unit of the dimension. Values outside are taken; Bind only warns.
type Range struct{ Low, High float64 }

// Value is a cell in canonical text. Given is false for a blank cell and a column that isn't there.
type Value struct {
	Text  string
	Unit  string // UCUM, of an Amount
	Given bool
}

// Record is a row whose cells are all good.
type Record struct {
	Line   int
	values []Value
	index  map[string]int
}

// Get is the value of a wanted column.
func (r Record) Get(name string) Value {
	if i, ok := r.index[name]; ok {
		return r.values[i]
	}
	return Value{}
}

// Bound is a table read as its columns were wanted.
type Bound struct {
	Records  []Record
	Problems []Problem // every fault of every row that is not among the records, by line
	Warnings []Problem // about whole columns; Line is that of the first value meant
	Columns  []BoundColumn
}

// BoundColumn says how one column of the file was understood.
type BoundColumn struct {
	Heading string // as the file spells it
	Name    string // of the Want
	Unit    string // UCUM, of an Amount
}

// column is a column of the file and what is wanted of it.
type column struct {
	BoundColumn

	want Want
	at   int // in the row
}

// Bind reads the table's rows as the wanted columns. A header that can't be understood is an error, for nothing could then
// be read with safety; bad rows are problems. Reasons: HEADER_INVALID, UNIT_UNKNOWN, UNIT_MISMATCH.
func (t *Table) Bind(wants ...Want) (*Bound, error) {
	columns, err := t.columns(wants)
	if err != nil {
		return nil, t.title(wants, err)
	}
	r := reader{table: t, columns: columns, mark: markOf(t.numbers(columns)), index: map[string]int{}}
	bound := &Bound{Problems: slices.Clone(t.Problems)}
	for i, c := range columns {
		r.index[c.Name] = i
		r.undated = append(r.undated, c.want.Kind == Time && t.wholeDays(c.at))
		bound.Columns = append(bound.Columns, c.BoundColumn)
	}
	for _, row := range t.Rows {
		record, problems := r.row(row)
		if len(problems) > 0 {
			bound.Problems = append(bound.Problems, problems...)
			continue
		}
		bound.Records = append(bound.Records, record)
	}
	slices.SortStableFunc(bound.Problems, func(a, b Problem) int { return a.Line - b.Line })
	bound.Warnings = r.warnings(bound.Records)
	return bound, nil
}

// numbers walks over the cells that may hold a decimal mark.
func (t *Table) numbers(columns []column) func(yield func(string) bool) {
	return func(yield func(string) bool) {
		for _, row := range t.Rows {
			for _, c := range columns {
				if (c.want.Kind == Number || c.want.Kind == Amount || c.want.Kind == Hours) && c.at < len(row.Cells) && !yield(strings.TrimSpace(row.Cells[c.at])) {
					return
				}
			}
		}
	}
}

func (t *Table) columns(wants []Want) ([]column, error) {
	var columns []column
	seen := map[string]string{}
	for at, heading := range t.Header {
		if heading == "" {
			return nil, invalidHeader("The header's column %d has no name. Name it, or remove the column.", at+1)
		}
		c, err := find(heading, wants)
		if err != nil {
			return nil, err
		}
		if other, twice := seen[c.Name]; twice {
			return nil, invalidHeader("The columns %.60q and %.60q both give %s. Keep one.", other, heading, c.Name)
		}
		seen[c.Name], c.at = heading, at
		columns = append(columns, c)
	}
	for _, w := range wants {
		if w.Required && seen[w.Name] == "" {
			return nil, invalidHeader("The table has no column for %s. Add it, such as %s.", w.Name, w.example())
		}
	}
	return columns, nil
}

// titles is how many lines above a header are looked through.
const titles = 20

// title says when the header can't be understood because a title stands above it: a line below names more of the columns, and half of those
// that are required at least.
func (t *Table) title(wants []Want, err error) error {
	required := 0
	for _, w := range wants {
		if w.Required {
			required++
		}
	}
	least := max(named(t.Header, wants)+1, (required+1)/2, 2)
	for _, row := range t.Rows[:min(titles, len(t.Rows))] {
		if named(row.Cells, wants) >= least {
			return invalidHeader("The table begins with %.60q, which names no columns; line %d does. Remove what stands above line %d.", t.Header[0], row.Line, row.Line)
		}
	}
	return err
}

// named is how many cells of a line name a column with its unit.
func named(cells []string, wants []Want) (n int) {
	for _, cell := range cells {
		if _, err := find(cell, wants); cell != "" && err == nil {
			n++
		}
	}
	return n
}

func invalidHeader(format string, args ...any) error {
	return fault.Invalid("table", "HEADER_INVALID", format, args...)
}

// find tells which wanted column a heading means. The longest name that it begins with counts.
func find(heading string, wants []Want) (column, error) {
	name := plainName(heading)
	var best Want
	rest, length := "", -1
	for _, w := range wants {
		for _, known := range append([]string{w.Name}, w.Aliases...) {
			after, ok := strings.CutPrefix(name, known)
			if !ok || len(known) <= length || after != "" && (w.Kind != Amount || after[0] != '_') {
				continue
			}
			best, rest, length = w, strings.TrimPrefix(after, "_"), len(known)
		}
	}
	c := column{BoundColumn: BoundColumn{Heading: heading, Name: best.Name, Unit: unitOf[rest]}, want: best}
	switch {
	case length < 0:
		return c, invalidHeader("The column %.60q is not known. Known ones are %s. Rename the column, or remove it.", heading, examples(wants))
	case best.Kind != Amount:
		return c, nil
	case rest == "":
		return c, invalidHeader("The column %.60q has no unit in its name. Name it such as %s.", heading, best.example())
	case c.Unit == "":
		return c, fault.Invalid("table", "UNIT_UNKNOWN", "The column %.60q has no unit that is known. Known ones are %s.", heading, best.choices())
	case quantity.MustLookup(c.Unit).Dimension != best.Dimension:
		return c, fault.Invalid("table", "UNIT_MISMATCH", "The column %.60q states a unit that does not measure %s. Use one of %s.", heading, best.Dimension, best.choices())
	}
	return c, nil
}

func (w Want) example() string {
	if w.Kind != Amount {
		return w.Name
	}
	first, _, _ := strings.Cut(w.choices(), ", ")
	return first
}

// choices are the names of an Amount with each unit.
func (w Want) choices() string {
	var all []string
	for _, u := range quantity.Units() {
		if u.Dimension == w.Dimension && suffixOf[u.Code] != "" {
			all = append(all, Heading(w.Name, u.Code))
		}
	}
	return strings.Join(all, ", ")
}

func examples(wants []Want) string {
	var all []string
	for _, w := range wants {
		all = append(all, w.example())
	}
	return strings.Join(all, ", ")
}
