package verbs

import (
	"encoding/json"
	"fmt"
	"io"
	"strings"
	"text/tabwriter"

	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/reflect/protoreflect"

	"coldsection.example/services/platform/sheet"
)

// Show writes one answer. JSON is as over REST. Where the answer is a list, a table and CSV have a row for each of its elements; of one resource CSV is
// one row, and a table a line for each field, whole, as it may be a secret that somebody has to copy.
func Show(form string, w io.Writer, columns []string, m protoreflect.Message) error {
	if form == "json" {
		_, err := fmt.Fprintln(w, protojson.MarshalOptions{Multiline: true, EmitDefaultValues: true}.Format(m.Interface()))
		return err
	}
	first := m.Descriptor().Fields().ByNumber(1)
	if first != nil && first.IsList() && first.Message() != nil && m.Descriptor().Fields().ByName("next_page_token") != nil {
		rows := NewRows(form, w, columns)
		if err := rows.Begin(first.Message()); err != nil {
			return err
		}
		if err := writeAll(rows, m.Get(first).List()); err != nil {
			return err
		}
		return rows.Close()
	}
	if form == "csv" {
		rows := NewRows(form, w, columns)
		if err := rows.Write(m); err != nil {
			return err
		}
		return rows.Close()
	}
	return fields(w, columns, m)
}

// fields writes one resource as a person reads it.
func fields(w io.Writer, columns []string, m protoreflect.Message) error {
	names, err := chosen(m.Descriptor(), columns)
	if err != nil {
		return err
	}
	out := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
	for _, name := range names {
		text := cell(m.Descriptor().Fields().ByName(protoreflect.Name(name)), m)
		if text == "" && len(columns) == 0 {
			continue
		}
		if _, err := fmt.Fprintf(out, "%s\t%s\n", headings([]string{name})[0], Printable(text)); err != nil {
			return err
		}
	}
	return out.Flush()
}

// Table writes lines of texts that are no resources, such as what a check found.
type Table struct {
	names []string
	write func(cells []string) error
	close func() error
}

// NewTable makes a table in the form "table", "csv" or "json" (one object a line).
func NewTable(form string, w io.Writer, names ...string) (*Table, error) {
	switch form {
	case "json":
		return &Table{names: names, close: func() error { return nil }, write: func(cells []string) error {
			line := map[string]string{}
			for i, name := range names {
				line[name] = cells[i]
			}
			return json.NewEncoder(w).Encode(line)
		}}, nil
	case "csv":
		var columns []sheet.Column
		for _, name := range names {
			columns = append(columns, sheet.Column{Name: name})
		}
		to, err := sheet.NewWriter(w, sheet.CSV, columns)
		if err != nil {
			return nil, err
		}
		return &Table{names: names, write: func(cells []string) error { return to.Write(cells...) }, close: to.Close}, nil
	default:
		out := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
		line := func(cells []string) error {
			for i := range cells {
				cells[i] = Printable(cells[i])
			}
			_, err := fmt.Fprintln(out, strings.Join(cells, "\t"))
			return err
		}
		return &Table{names: names, write: line, close: out.Flush}, line(headings(names))
	}
}

// Write writes one line.
func (t *Table) Write(cells ...string) error { return t.write(cells) }

// Close writes what is left.
func (t *Table) Close() error { return t.close() }
