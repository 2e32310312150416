// Package casestest is the table of published and worked values that the cores of compliance are tested against; each row names its
// source. A row passes only when every value that it expects was asked for.
package casestest

import (
	_ "embed"
	"encoding/csv"
	"maps"
	"slices"
	"strings"
	"testing"
)

//go:embed testdata/cases.csv
var table string

// Total is how many rows the table has.
const Total = 163

// Row is a row of the table.
type Row struct {
	ID, Area string
	Given    map[string]string
	left     map[string]string // what it expects and no check has asked for yet
}

// Want is one expected value.
func (r *Row) Want(key string) string {
	v := r.left[key]
	delete(r.left, key)
	return v
}

// Has reports whether a value is given.
func (r *Row) Has(key string) bool {
	_, ok := r.Given[key]
	return ok
}

// Checks are what answers the rows of some areas.
type Checks map[string]func(*testing.T, *Row)

// Run checks every row of the areas and returns how many it checked. without names rows, and single values as row.key, that
// nothing can answer, with the reason; a name that no row needs fails too.
func Run(t *testing.T, checks Checks, without map[string]string) (covered int) {
	t.Helper()
	rows, unused := read(t), maps.Clone(without)
	if unused == nil {
		unused = map[string]string{}
	}
	for _, row := range rows {
		check, ours := checks[row.Area]
		if !ours {
			continue
		}
		if _, out := without[row.ID]; out {
			delete(unused, row.ID)
			continue
		}
		covered++
		t.Run(row.ID, func(t *testing.T) {
			check(t, row)
			for _, key := range slices.Sorted(maps.Keys(row.left)) {
				if _, out := without[row.ID+"."+key]; !out {
					t.Errorf("%s=%s is expected and not checked", key, row.left[key])
				}
				delete(unused, row.ID+"."+key)
			}
		})
	}
	for what, why := range unused {
		t.Errorf("%s is said to have no answer (%s), but no row needs that", what, why)
	}
	return covered
}

func read(t *testing.T) (out []*Row) {
	t.Helper()
	rows, err := csv.NewReader(strings.NewReader(table)).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	for _, row := range rows[1:] {
		out = append(out, &Row{row[0], row[1], pairs(row[2]), pairs(row[3])})
	}
	if len(out) != Total {
		t.Fatalf("the table has %d rows, said are %d", len(out), Total)
	}
	return out
}

func pairs(s string) map[string]string {
	m := map[string]string{}
	for p := range strings.SplitSeq(s, "; ") {
		k, v, _ := strings.Cut(p, "=")
		m[k] = v
	}
	return m
}
