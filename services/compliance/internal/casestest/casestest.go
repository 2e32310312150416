// Package casestest is the table of published and worked values that the cores of compliance are tested against; each row names its
// source. A row passes only when every value that it expects was asked for.
package casestest

import (
	_ "embed"
	"encoding/csv"
	"maps"
	"os"
	"path/filepath"
	"regexp"
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
// another test checks, with the file of that test, under services, which must name the row; a name that no row needs fails too.
func Run(t *testing.T, checks Checks, without map[string]string) (covered int) {
	t.Helper()
	for what, file := range without {
		id, _, _ := strings.Cut(what, ".")
		NamedIn(t, id, file)
	}
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

// NamedIn fails unless a test's file, under services, names a row.
func NamedIn(t *testing.T, id, file string) {
	t.Helper()
	text, err := os.ReadFile(filepath.Join(services(t), filepath.FromSlash(file)))
	if err != nil || !strings.HasSuffix(file, "_test.go") {
		t.Errorf("%s is said to check %s, which is no test that can be read: %v", file, id, err)
		return
	}
	if !names(string(text), id) {
		t.Errorf("%s is said to check %s and does not name it", file, id)
	}
}

// services is the folder of the services. It is found from the folder in which the test runs, as a build may trim the paths of sources.
func services(t *testing.T) string {
	t.Helper()
	dir, err := os.Getwd()
	if err != nil {
		t.Fatal(err)
	}
	for filepath.Base(dir) != "services" {
		if dir == filepath.Dir(dir) {
			t.Fatal("the tests of compliance run inside the folder of the services")
		}
		dir = filepath.Dir(dir)
	}
	return dir
}

// span is a span of rows as comments write it, such as "TOOL-01 to TOOL-03".
var span = regexp.MustCompile(`([A-Z]+)-(\d+) to ([A-Z]+)-(\d+)`)

func names(text, id string) bool {
	if strings.Contains(text, id) {
		return true
	}
	area, number, _ := strings.Cut(id, "-")
	for _, s := range span.FindAllStringSubmatch(text, -1) {
		if s[1] == area && s[3] == area && s[2] <= number && number <= s[4] {
			return true
		}
	}
	return false
}

// IDs are the ids of every row with its area.
func IDs(t *testing.T) map[string]string {
	t.Helper()
	out := map[string]string{}
	for _, row := range read(t) {
		out[row.ID] = row.Area
	}
	return out
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
