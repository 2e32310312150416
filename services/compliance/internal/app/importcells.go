package app

import (
	"strconv"
	"strings"
	"time"

	"google.golang.org/genproto/googleapis/type/date"

	compliancev1 "coldsection.example/proto/coldsection/compliance/v1"
	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/sheet"
)

// number is a cell of whole numbers or hours, the latter in seconds; 0 when it is blank.
func number(r sheet.Record, name string) int64 {
	n, _ := strconv.ParseInt(r.Get(name).Text, 10, 64) // every cell that is not blank was read as a number
	return n
}

func small(r sheet.Record, name string) int32 {
	return int32(max(min(number(r, name), 1<<31-1), -1<<31))
}

func yes(r sheet.Record, name string) bool { return r.Get(name).Text == "true" }

// decimal is a cell of a plain decimal.
func decimal(r sheet.Record, name string) float64 {
	v, _ := strconv.ParseFloat(r.Get(name).Text, 64)
	return v
}

// texts are the values of a cell, parted by semicolons.
func texts(r sheet.Record, name string) (out []string) {
	for part := range strings.SplitSeq(r.Get(name).Text, ";") {
		if part = strings.TrimSpace(part); part != "" {
			out = append(out, part)
		}
	}
	return out
}

// allNamed are the resource names of a cell's ids.
func allNamed(r sheet.Record, column, collection string) []string {
	out := texts(r, column)
	for i := range out {
		out[i] = named(collection, out[i])
	}
	return out
}

// named is a resource name from an id or from the name itself; nothing of nothing.
func named(collection, id string) string {
	if id == "" || strings.HasPrefix(id, collection) {
		return id
	}
	return collection + id
}

func dateIn(r sheet.Record, name string) *date.Date {
	t, err := time.Parse(time.DateOnly, r.Get(name).Text)
	if err != nil {
		return nil // a blank cell; every other was read as a date
	}
	return &date.Date{Year: int32(min(t.Year(), 9999)), Month: int32(t.Month()), Day: int32(min(t.Day(), 31))}
}

// countersOfRow are the counters of a row, nil when it has none.
func countersOfRow(r sheet.Record) *compliancev1.Counters {
	if !r.Get("operating_hours").Given && !r.Get("cycles").Given && !r.Get("starts").Given && !r.Get("landings").Given {
		return nil
	}
	return &compliancev1.Counters{OperatingSeconds: number(r, "operating_hours"), Cycles: number(r, "cycles"), Starts: number(r, "starts"), Landings: number(r, "landings")}
}

// choice is the value of an enum that a cell names, 0 for a blank cell. Reason: VALUE_INVALID.
func choice(r sheet.Record, column string, values map[string]int32) (int32, error) {
	text := r.Get(column).Text
	n, known := values[strings.ToUpper(strings.NewReplacer(" ", "_", "-", "_").Replace(text))]
	if text == "" || known && n != 0 {
		return n, nil
	}
	return 0, fault.Invalid(column, "VALUE_INVALID", "%.40q is none of the values of %s. Use %s.", text, column, choices(values))
}

// choices are the names of an enum's values but the first, in their order.
func choices(values map[string]int32) string {
	names := make([]string, len(values))
	for name, n := range values {
		if int(n) < len(names) {
			names[n] = name
		}
	}
	return strings.Join(names[1:], ", ")
}
