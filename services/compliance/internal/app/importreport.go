package app

import (
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"strings"

	compliancev1 "coldsection.example/proto/coldsection/compliance/v1"
	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/sheet"
)

// hash is the same for rows that say the same, in whatever format, order of columns or way to write a number.
func (i *importer) hash(group []sheet.Record) string {
	h := sha256.New()
	for _, r := range group {
		for _, w := range i.kind.wants {
			if v := r.Get(w.Name); v.Given {
				_, _ = fmt.Fprintf(h, "%s=%q;", w.Name, v.Text)
			}
		}
		_, _ = h.Write([]byte{'\n'})
	}
	return hex.EncodeToString(h.Sum(nil))
}

// maxFaults is how many faults the answer of a long import names.
const maxFaults = 1000

func (i *importer) fault(line int, column, reason, text string) {
	if i.step != nil {
		i.step.Refuse(line, column, reason, text)
	}
	if i.apart && len(i.resp.GetFaults()) >= maxFaults {
		return
	}
	i.resp.Faults = append(i.resp.Faults, &compliancev1.RowFault{Line: int32(min(line, 1<<30)), Column: column, Reason: reason, Explanation: text})
}

// refused adds a refusal of a row to the report, each of its violations under its column.
func (i *importer) refused(group []sheet.Record, f *fault.Error) {
	if len(f.Violations) == 0 {
		i.fault(group[0].Line, i.columnOf(group[0], f.Metadata["resource"]), f.Reason, f.Message)
	}
	for _, v := range f.Violations {
		column, line := i.columnAt(v.Field), group[0].Line
		if n, in := stayOf(v.Field); in && n < len(group) {
			line = group[n].Line
		}
		i.fault(line, column, v.Reason, strings.Replace(v.Description, "send the request again", "import the table again", 1))
	}
}

// columnOf is the column that names a resource, empty when none does.
func (i *importer) columnOf(r sheet.Record, name string) string {
	for _, w := range i.kind.wants {
		text := r.Get(w.Name).Text
		if text != "" && name != "" && (text == name || strings.HasSuffix(name, "/"+text)) {
			return i.headings[w.Name]
		}
	}
	return ""
}

// columnAt is the column that fills a field of a request, empty when several do or none.
func (i *importer) columnAt(field string) string {
	parts := strings.FieldsFunc(field, func(r rune) bool { return r == '.' })
	for n := range parts {
		parts[n], _, _ = strings.Cut(parts[n], "[")
	}
	if len(parts) == 0 {
		return ""
	}
	last := parts[len(parts)-1]
	for _, name := range []string{last, columnNames[last], "stay_" + last, strings.Join(parts[max(0, len(parts)-2):], "_")} {
		if heading := i.headings[name]; heading != "" {
			return heading
		}
	}
	return ""
}

// columnNames are the columns of fields that are called otherwise there.
var columnNames = map[string]string{
	"operating_seconds": "operating_hours", "title": "document", "name": "aircraft_id", "counters": "operating_hours",
	"document_reference": "stay_document",
	"hours_per_day":      "flying_hours_per_day", "cycles_per_day": "flying_cycles_per_day",
}

// stayOf is which stay of a component a field is of.
func stayOf(field string) (n int, in bool) {
	_, rest, in := strings.Cut(field, "history[")
	if in {
		_, err := fmt.Sscanf(rest, "%d]", &n)
		in = err == nil
	}
	return n, in
}
