package sheet

import (
	"math"
	"regexp"
	"strconv"
	"strings"
	"time"

	"coldsection.example/services/platform/clock"
	"coldsection.example/services/platform/quantity"
)

// reader reads rows.
type reader struct {
	table   *Table
	columns []column
	mark    mark
	index   map[string]int
	undated []bool // of each column, whether it is of times and has days alone
}

func (r reader) row(row Row) (Record, []Problem) {
	if row.tooLong(len(r.table.Header)) || r.table.Format == CSV && len(row.Cells) < len(r.table.Header) {
		return Record{}, []Problem{{Line: row.Line, Reason: "ROW_LENGTH", Text: sentence(
			"The row has %d cells and the header %d. A decimal comma needs semicolons between cells, or quotes.", len(row.Cells), len(r.table.Header))}}
	}
	record := Record{Line: row.Line, values: make([]Value, len(r.columns)), index: r.index}
	var problems []Problem
	for i, c := range r.columns {
		cell := ""
		if c.at < len(row.Cells) {
			cell = strings.TrimSpace(row.Cells[c.at])
		}
		shown := ""
		if c.at < len(row.shown) {
			shown = row.shown[c.at]
		}
		if c.want.Kind == Text && c.at < len(row.seen) {
			shown = row.seen[c.at]
		}
		value, reason, text := r.cell(c, cell, shown, c.at < len(row.rounded) && row.rounded[c.at])
		if cell != "" && reason == "" {
			reason, text = r.doubt(i, row, value)
		}
		if reason != "" {
			problems = append(problems, Problem{row.Line, c.Heading, reason, text})
		}
		record.values[i] = value
	}
	return record, problems
}

// doubt tells of a cell that can be read, and in two ways.
func (r reader) doubt(i int, row Row, v Value) (reason, text string) {
	at, kind := r.columns[i].at, r.columns[i].want.Kind
	switch {
	case r.undated[i]:
		return "TIME_INVALID", sentence("The column has days without a time of day, here %s. Put both into one cell, such as 2026-03-01T06:54Z.", v.Text[:len(time.DateOnly)])
	case at < len(row.grouped) && row.grouped[at] && (kind == Number || kind == Amount || kind == Integer || kind == Hours):
		return "VALUE_AMBIGUOUS", sentence("%.40q is text and could be a decimal or a number of thousands, as other cells have decimal commas. Make it a number.", row.Cells[at])
	default:
		return "", ""
	}
}

// tooLong says whether cells stand beyond the header's last column.
func (row Row) tooLong(width int) bool {
	for i := width; i < len(row.Cells); i++ {
		if row.Cells[i] != "" {
			return true
		}
	}
	return false
}

// cell reads one cell, which may show hours and minutes, or hold a number that lost digits; a reason means that it is bad.
func (r reader) cell(c column, cell, shown string, rounded bool) (v Value, reason, text string) {
	if cell == "" {
		if c.want.Required {
			return v, "VALUE_MISSING", "The cell is blank. Fill it in, or remove the row."
		}
		return v, "", ""
	}
	v = Value{Text: cell, Given: true}
	switch c.want.Kind {
	case Number, Amount:
		v.Unit = c.Unit
		v.Text, reason, text = r.number(cell)
	case Hours:
		if shown != "" {
			v.Text, reason, text = partOfADay(cell, shown)
		} else {
			v.Text, reason, text = r.hours(cell)
		}
	case Integer:
		v.Text, reason, text = r.integer(cell)
	case Time:
		v.Text, reason, text = r.time(cell)
	case Date:
		v.Text, reason, text = r.date(cell)
	case Bool:
		v.Text, reason, text = boolean(cell)
	case Text:
		v.Text, reason, text = r.text(cell, shown, rounded)
	}
	return v, reason, text
}

func (r reader) number(cell string) (number, reason, text string) {
	if r.table.Format != CSV {
		if number, ok := stored(cell, r.table.Format); ok {
			return number, "", ""
		}
	}
	number, reason, text = r.mark.plain(cell)
	if reason == "" {
		if _, err := quantity.ParseDecimal(number); err != nil {
			return "", "VALUE_TOO_LONG", err.Error()
		}
	}
	return number, reason, text
}

func (r reader) integer(cell string) (number, reason, text string) {
	if number, reason, text = r.number(cell); reason != "" {
		return "", reason, text
	}
	v, err := strconv.ParseInt(number, 10, 64)
	if err != nil {
		return "", "VALUE_NOT_A_NUMBER", sentence("%.40q is not a whole number. Give digits only.", cell)
	}
	return strconv.FormatInt(v, 10), "", ""
}

func boolean(cell string) (value, reason, text string) {
	switch strings.ToLower(cell) {
	case "true", "yes", "1":
		return "true", "", ""
	case "false", "no", "0":
		return "false", "", ""
	}
	return "", "VALUE_INVALID", sentence("%.40q is neither true nor false. Write true or false.", cell)
}

// times are the forms of a time; one without a zone is UTC, since the column says so.
var times = []string{time.RFC3339Nano, "2006-01-02T15:04Z07:00", "2006-01-02T15:04:05", "2006-01-02T15:04", "2006-01-02 15:04:05", "2006-01-02 15:04", "2006-01-02 15:04:05Z07:00"}

func (r reader) time(cell string) (value, reason, text string) {
	at, ok := r.serial(cell)
	for i := 0; !ok && i < len(times); i++ {
		parsed, err := time.Parse(times[i], cell)
		at, ok = parsed.UTC(), err == nil
	}
	switch {
	case !ok:
		return "", "TIME_INVALID", sentence("%.40q is not a UTC time such as 2026-03-01T06:54Z.%s", cell, hint(cell))
	case !clock.Sane(at.Year()):
		return "", "TIME_INVALID", sentence(outside, cell, clock.FirstYear, clock.LastYear)
	default:
		return FormatTime(at), "", ""
	}
}

func (r reader) date(cell string) (value, reason, text string) {
	at, ok := r.serial(cell)
	if ok = ok && at.Equal(at.Truncate(24*time.Hour)); !ok {
		parsed, err := time.Parse(time.DateOnly, cell)
		at, ok = parsed, err == nil
	}
	switch {
	case !ok:
		return "", "DATE_INVALID", sentence("%.40q is not a date such as 2026-03-01.%s", cell, hint(cell))
	case !clock.Sane(at.Year()):
		return "", "DATE_INVALID", sentence(outside, cell, clock.FirstYear, clock.LastYear)
	default:
		return at.Format(time.DateOnly), "", ""
	}
}

// outside is said of a day or time of years that nobody means, as the edge of the suite says it.
const outside = "%.40q is not of the years %d to %d, which are taken. Correct it, or leave the cell empty where no such day or time is known."

var (
	wholeDay  = regexp.MustCompile(`^[0-9]{2,7}$`)
	dayNumber = regexp.MustCompile(`^[0-9]{5}([.,][0-9]+)?$`)
)

// hint explains what a spreadsheet did to a date.
func hint(cell string) string {
	if dayNumber.MatchString(cell) {
		return " It looks like a spreadsheet's day number; format the column as text like that before saving as CSV, or send the XLSX file."
	}
	return ""
}

// serial reads the day number that an XLSX file keeps for a date, to the millisecond: days since 30 December 1899, or since
// 1 January 1904 (ECMA-376 part 1, 18.17.4.1). Numbers below 61 are left out, since they count a day that never was.
func (r reader) serial(cell string) (time.Time, bool) {
	days, err := strconv.ParseFloat(cell, 64)
	if r.table.Format != XLSX || err != nil || !(days >= 61 && days < 2_958_466) {
		return time.Time{}, false
	}
	epoch := time.Date(1899, 12, 30, 0, 0, 0, 0, time.UTC)
	if r.table.date1904 {
		epoch = time.Date(1904, 1, 1, 0, 0, 0, 0, time.UTC)
	}
	return epoch.Add(time.Duration(math.Round(days*86_400_000)) * time.Millisecond), true
}

// wholeDays says whether all cells of a column of a workbook are day numbers without a part of a day, and none shows a time of day; one cell
// may be of midnight.
func (t *Table) wholeDays(at int) bool {
	n := 0
	for _, row := range t.Rows {
		if at >= len(row.Cells) || strings.TrimSpace(row.Cells[at]) == "" {
			continue
		}
		if n++; t.Format != XLSX || at < len(row.shown) && row.shown[at] != "" || !wholeDay.MatchString(strings.TrimSpace(row.Cells[at])) {
			return false
		}
	}
	return n > 1
}

// FormatTime is the canonical text of a time: RFC 3339 in UTC, to the microsecond, no more digits than needed.
func FormatTime(t time.Time) string {
	return t.UTC().Truncate(time.Microsecond).Format(time.RFC3339Nano)
}

// FormatFloat is the canonical text of a measured number: the fewest digits that give it back, "" for NaN and infinities.
func FormatFloat(v float64) string {
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return ""
	}
	return strconv.FormatFloat(v+0, 'f', -1, 64)
}
