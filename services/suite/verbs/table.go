package verbs

import (
	"fmt"
	"io"
	"strconv"
	"strings"
	"text/tabwriter"
	"unicode"

	"google.golang.org/genproto/googleapis/type/date"
	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/types/known/timestamppb"

	commonv1 "coldsection.example/proto/coldsection/common/v1"
	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/sheet"
)

// usual are the columns that people want to see first, by the kind of resource.
var usual = map[protoreflect.Name][]string{
	"Engine":        {"name", "serial", "engine_model", "aircraft", "position"},
	"DueItem":       {"requirement_code", "subject_label", "band", "due_date", "driving_unit", "requirement_title", "name"},
	"WorkOrder":     {"number", "state", "engine_serial", "display_name", "plan_start_time", "agent_drafted", "name"},
	"Lot":           {"name", "short_code", "item", "state", "on_hand", "reserved", "expire_time"},
	"Assessment":    {"engine_serial", "level", "wash_age_hours", "compute_time", "engine"},
	"StockMovement": {"effective_time", "kind", "lot", "item", "quantity", "work_order", "person", "name"},
	"Tool":          {"name", "display_name", "serial", "state", "due_date"},
	"StockDemand":   {"item", "work_order", "need_time", "needed", "reserved", "issued", "shortfall", "waiting", "state"},
}

// Rows writes resources as they come, in one form.
type Rows interface {
	Begin(kind protoreflect.MessageDescriptor) error // shows the header, which is there without rows too; not asking for it is no fault
	Write(m protoreflect.Message) error
	Flush() error // shows what was written so far, for who waits for more
	Close() error
}

// NewRows makes rows in the form "table", "csv" or "json" (one object per line). columns are field names; none takes the usual
// ones for a table and every plain field for CSV. Reason: COLUMN_UNKNOWN when a column is no field.
func NewRows(form string, w io.Writer, columns []string) Rows {
	switch form {
	case "json":
		return lines{w}
	case "csv":
		return &rows{columns: columns, all: true, open: func(names []string) (sheet.Writer, error) {
			var cells []sheet.Column
			for _, name := range names {
				cells = append(cells, sheet.Column{Name: name})
			}
			return sheet.NewWriter(w, sheet.CSV, cells)
		}}
	default:
		return &rows{columns: columns, open: func(names []string) (sheet.Writer, error) {
			t := screen{tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)}
			return t, t.Write(headings(names)...)
		}}
	}
}

// screen writes columns for a person.
type screen struct{ *tabwriter.Writer }

// Write writes one line.
func (s screen) Write(cells ...string) error {
	for i := range cells {
		cells[i] = shown(cells[i])
	}
	_, err := fmt.Fprintln(s.Writer, strings.TrimRight(strings.Join(cells, "\t"), "\t"))
	return err
}

// Close writes what is left.
func (s screen) Close() error { return s.Flush() }

// lines are JSON objects, one a line.
type lines struct{ w io.Writer }

// Write writes one resource.
func (l lines) Write(m protoreflect.Message) error {
	text, err := protojson.MarshalOptions{EmitDefaultValues: true}.Marshal(m.Interface())
	if err == nil {
		_, err = fmt.Fprintf(l.w, "%s\n", text)
	}
	return err
}

// Begin has nothing to do: lines of JSON have no header.
func (lines) Begin(protoreflect.MessageDescriptor) error { return nil }

// Flush has nothing to do: every line is shown at once.
func (lines) Flush() error { return nil }

// Close ends the lines.
func (lines) Close() error { return nil }

// rows are lines of cells under a header.
type rows struct {
	columns []string
	all     bool // shows every plain field rather than the usual ones
	open    func(names []string) (sheet.Writer, error)
	to      sheet.Writer // nil before the first
}

// Write writes one resource, and the header before the first.
func (r *rows) Write(m protoreflect.Message) error {
	if err := r.Begin(m.Descriptor()); err != nil {
		return err
	}
	cells := make([]string, 0, len(r.columns))
	for _, name := range r.columns {
		f := m.Descriptor().Fields().ByName(protoreflect.Name(name))
		cells = append(cells, cell(f, m))
	}
	return r.to.Write(cells...)
}

// Begin shows the header, once. Reason: COLUMN_UNKNOWN.
func (r *rows) Begin(d protoreflect.MessageDescriptor) error {
	if r.to != nil {
		return nil
	}
	if len(r.columns) == 0 && !r.all {
		r.columns = existing(d, usual[d.Name()])
	}
	names, err := chosen(d, r.columns)
	if err != nil {
		return err
	}
	r.columns = names
	r.to, err = r.open(names)
	return err
}

// chosen are the columns that were named, or every one that fits into a cell. Reason: COLUMN_UNKNOWN.
func chosen(d protoreflect.MessageDescriptor, columns []string) ([]string, error) {
	if len(columns) == 0 {
		return every(d), nil
	}
	for _, name := range columns {
		if d.Fields().ByName(protoreflect.Name(name)) == nil {
			return nil, fault.Invalid("columns", "COLUMN_UNKNOWN", "A %s has no field %q. It has %s.", d.Name(), name, strings.Join(every(d), ", "))
		}
	}
	return columns, nil
}

// Flush shows what was written so far.
func (r *rows) Flush() error {
	if flushed, ok := r.to.(interface{ Flush() error }); ok {
		return flushed.Flush()
	}
	return nil
}

// Close writes what is left.
func (r *rows) Close() error {
	if r.to == nil {
		return nil
	}
	return r.to.Close()
}

func existing(d protoreflect.MessageDescriptor, names []string) []string {
	var out []string
	for _, name := range names {
		if d.Fields().ByName(protoreflect.Name(name)) != nil {
			out = append(out, name)
		}
	}
	return out
}

// every names the fields that fit into a cell.
func every(d protoreflect.MessageDescriptor) []string {
	var out []string
	for i := range d.Fields().Len() {
		f := d.Fields().Get(i)
		if !f.IsMap() && (f.Message() == nil || !f.IsList() && isPlain(f.Message().FullName())) {
			out = append(out, string(f.Name()))
		}
	}
	return out
}

func isPlain(name protoreflect.FullName) bool {
	switch name {
	case "google.protobuf.Timestamp", "google.type.Date", "coldsection.common.v1.Quantity":
		return true
	default:
		return false
	}
}

// cell is a field as text; what is not set is empty.
func cell(f protoreflect.FieldDescriptor, m protoreflect.Message) string {
	if !m.Has(f) && (f.HasPresence() || f.Kind() == protoreflect.EnumKind) {
		return ""
	}
	v := m.Get(f)
	switch {
	case f.IsList():
		var out []string
		for i := range v.List().Len() {
			out = append(out, scalar(f, v.List().Get(i)))
		}
		return strings.Join(out, " ")
	case f.Message() != nil:
		return plainText(v.Message().Interface())
	default:
		return scalar(f, v)
	}
}

func scalar(f protoreflect.FieldDescriptor, v protoreflect.Value) string {
	if f.Enum() != nil {
		if d := f.Enum().Values().ByNumber(v.Enum()); d != nil {
			return string(d.Name())
		}
	}
	if number, ok := v.Interface().(float64); ok { // without an exponent, which a spreadsheet may take for a formula
		return strconv.FormatFloat(number, 'f', -1, 64)
	}
	return fmt.Sprint(v.Interface())
}

func plainText(m any) string {
	switch m := m.(type) {
	case *timestamppb.Timestamp:
		return m.AsTime().Format("2006-01-02T15:04:05Z")
	case *date.Date:
		return fmt.Sprintf("%04d-%02d-%02d", m.GetYear(), m.GetMonth(), m.GetDay())
	case *commonv1.Quantity:
		return m.GetValue() + " " + m.GetUnitCode()
	default:
		return "…"
	}
}

// shown is a cell of a table, which is not endless.
func shown(text string) string {
	const widest = 60
	text = Printable(text)
	if r := []rune(text); len(r) > widest {
		return string(r[:widest-1]) + "…"
	}
	return text
}

// Printable is a text that a terminal takes: without control characters, which could move its cursor.
func Printable(text string) string {
	return strings.Map(func(r rune) rune {
		if unicode.IsControl(r) || !unicode.IsPrint(r) {
			return ' '
		}
		return r
	}, text)
}

func headings(names []string) []string {
	out := make([]string, 0, len(names))
	for _, name := range names {
		out = append(out, strings.ToUpper(strings.ReplaceAll(name, "_", " ")))
	}
	return out
}
