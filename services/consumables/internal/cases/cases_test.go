package cases_test

import (
	"encoding/csv"
	"encoding/json"
	"maps"
	"math"
	"os"
	"regexp"
	"slices"
	"strings"
	"testing"
)

// row is one line of the table. left is what it expects and no check has asked for yet.
type row struct {
	t           *testing.T
	id, area    string
	given, left map[string]any
}

// want is an expected value; each must be asked for, or the row fails.
func (r row) want(key string) any {
	r.t.Helper()
	v, ok := r.left[key]
	if !ok {
		r.t.Errorf("%s does not expect %s", r.id, key)
	}
	delete(r.left, key)
	return v
}

// skip leaves values that are words for people.
func (r row) skip(keys ...string) {
	for _, k := range keys {
		delete(r.left, k)
	}
}

func (r row) text(key string) string    { s, _ := r.given[key].(string); return s }
func (r row) number(key string) float64 { n, _ := r.given[key].(float64); return n }

// near compares a number with what the row expects, to the last digit that the row prints.
func (r row) near(key string, got, within float64) {
	r.t.Helper()
	if want, ok := r.want(key).(float64); !ok || math.Abs(got-want) > within {
		r.t.Errorf("%s: %s is %v, want %v", r.id, key, got, want)
	}
}

func (r row) same(key string, got any) {
	r.t.Helper()
	if want := r.want(key); want != got {
		r.t.Errorf("%s: %s is %v, want %v", r.id, key, got, want)
	}
}

// checked are the areas that are checked here, row by row and value by value.
var checked = map[string]func(row){
	"units": units, "mix": mixes, "contraction": contraction, "water": waters, "shelf": shelf, "fefo": fefo,
	"reorder": reorders, "count": counts, "intermittent": intermittent, "hazard": hazards,
}

// elsewhere are rows that need the service and not a core alone; the test named must speak of the row.
var elsewhere = map[string]string{
	"T01": "../server/issue_test.go", "T02": "../server/issue_test.go", "T03": "../server/issue_test.go", "T04": "../server/issue_test.go",
	"T05": "../server/issue_test.go", "T06": "../server/issue_test.go", "T07": "../server/issue_test.go", "T08": "../server/blend_test.go",
	"T09": "../server/count_test.go", "T13": "../server/trace_test.go", "T14": "../server/blend_test.go",
}

// othersAreas are not of stores; their owners check them.
var othersAreas = []string{
	"antifreeze", "environment", "starter", "flow", "safety", "gs1", "webhook", "cloudevents", "feed", "money", "period", "problem", "ical",
}

// withoutAnswer are rows that nothing here can answer, and why.
var withoutAnswer = map[string]string{
	"M02": "a phrase is never stored: the contract has two integers and no field for it",
	"H04": "limits of explosion are the safety data sheet's, which the item names and does not repeat",
	"H05": "whether a bottle is labelled is checked where labels are made",
}

func table(t *testing.T) []row {
	t.Helper()
	f, err := os.Open("testdata/stores.csv")
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = f.Close() }()
	lines, err := csv.NewReader(f).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	var rows []row
	for _, line := range lines[1:] {
		r := row{t: t, id: line[0], area: line[1]}
		if err := json.Unmarshal([]byte(line[2]), &r.given); err != nil {
			t.Fatalf("%s: %v", r.id, err)
		}
		if err := json.Unmarshal([]byte(line[3]), &r.left); err != nil {
			t.Fatalf("%s: %v", r.id, err)
		}
		if line[4] == "" {
			t.Errorf("%s names no source", r.id)
		}
		rows = append(rows, r)
	}
	return rows
}

func TestEveryRowIsChecked(t *testing.T) {
	rows, done := table(t), 0
	for _, r := range rows {
		check, mine := checked[r.area]
		_, hasNoAnswer := withoutAnswer[r.id]
		file, isElsewhere := elsewhere[r.id]
		switch {
		case slices.Contains(othersAreas, r.area), hasNoAnswer:
		case isElsewhere:
			spoken(t, r.id, file)
			done++
		case mine:
			check(r)
			for key := range maps.Keys(r.left) {
				t.Errorf("%s: nobody asked for %s", r.id, key)
			}
			done++
		default:
			t.Errorf("%s (%s) is checked by nobody", r.id, r.area)
		}
	}
	if len(rows) != 156 || done != 75 {
		t.Errorf("%d rows, %d checked; the table or its checks changed", len(rows), done)
	}
}

// spoken checks that a test file names a row, alone or as the middle of a span such as "T05 and T06" or "T01 to T03".
func spoken(t *testing.T, id, file string) {
	t.Helper()
	text, err := os.ReadFile(file)
	if err != nil {
		t.Error(err)
		return
	}
	if !regexp.MustCompile(`\b` + id + `\b`).Match(text) {
		t.Errorf("%s does not speak of %s", file, id)
	}
}

// asText is a JSON value as the table writes it.
func asText(v any) string { s, _ := v.(string); return s }

func list(v any) []any { l, _ := v.([]any); return l }

func object(v any) map[string]any { m, _ := v.(map[string]any); return m }

func numbers(v any) []float64 {
	var out []float64
	for _, n := range list(v) {
		f, _ := n.(float64)
		out = append(out, f)
	}
	return out
}

func refusal(r row, err error, word string) {
	r.t.Helper()
	if err == nil {
		r.t.Errorf("%s was accepted", r.id)
	}
	if said := asText(r.want("error")); !strings.Contains(said, word) {
		r.t.Errorf("%s expects the refusal %q", r.id, said)
	}
}
