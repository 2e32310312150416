package cases

import (
	"encoding/csv"
	"maps"
	"math"
	"os"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"
)

// row is a row of the table. left is what it expects and no test has asked for yet.
type row struct {
	t            *testing.T
	id, quantity string
	inputs, text string
	given, left  map[string]string
}

// rowsInTable says how many rows there are; all of them are checked.
const rowsInTable = 93

// checks are the kinds of rows.
var checks = map[string]func(*row){
	"isa": isa, "pressure_altitude": pressureAltitude, "mach_from_cas": mach, "ram": ram, "correction_ideal": corrected, "shaft_power": power,
	"air_table": airTable, "cp_gamma": cpGamma, "compressor_work": compressorWork, "brayton_ideal": brayton, "brayton_actual": brayton,
	"compressor_efficiency": compressorEfficiency, "type_k_emf": typeK, "type_k_inverse": typeKInverse, "parallel_trim": parallelTrim, "heater": heaterRating,
	"ewma": ewma, "cusum": cusum, "regression": regression, "breakpoint": breakpoint, "local_level": localLevel, "robust": robust, "step": washStep,
	"outlier": outliers, "theil_sen": theilSen, "forecast": forecast, "wash_interval_exp": washInterval, "wash_interval_linear": washInterval,
}

func TestEveryRowIsChecked(t *testing.T) {
	f, err := os.Open("testdata/cases.csv")
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = f.Close() }()
	rows, err := csv.NewReader(f).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	if len(rows)-1 != rowsInTable {
		t.Errorf("the table has %d rows, said are %d", len(rows)-1, rowsInTable)
	}
	unused := maps.Clone(checks)
	for _, fields := range rows[1:] {
		t.Run(fields[0], func(t *testing.T) {
			check := checks[fields[1]]
			if check == nil {
				t.Fatalf("nobody checks a %s", fields[1])
			}
			delete(unused, fields[1])
			r := &row{t: t, id: fields[0], quantity: fields[1], inputs: fields[2], text: fields[3], given: pairs(fields[2]), left: pairs(fields[3])}
			check(r)
			for _, key := range slices.Sorted(maps.Keys(r.left)) {
				t.Errorf("%s=%s is expected and not checked", key, r.left[key])
			}
		})
	}
	for kind := range unused {
		t.Errorf("no row is a %s", kind)
	}
}

func pairs(s string) map[string]string {
	m := map[string]string{}
	for p := range strings.SplitSeq(s, "; ") {
		k, v, _ := strings.Cut(p, "=")
		m[strings.TrimSpace(k)] = v
	}
	return m
}

// in is a number given.
func (r *row) in(key string) float64 {
	r.t.Helper()
	first, _, _ := strings.Cut(r.given[key], " ")
	v, err := strconv.ParseFloat(first, 64)
	if err != nil {
		r.t.Fatalf("%s: %v", key, err)
	}
	return v
}

// near holds a value against the expected one, with an absolute tolerance.
func (r *row) near(key string, got, tolerance float64) {
	r.t.Helper()
	want, err := strconv.ParseFloat(r.left[key], 64)
	if err != nil {
		r.t.Fatalf("%s: %v", key, err)
	}
	delete(r.left, key)
	if !(math.Abs(got-want) <= tolerance) {
		r.t.Errorf("%s is %.10g, want %.10g ± %g", key, got, want, tolerance)
	}
}

// relative is near with a tolerance relative to the expected value.
func (r *row) relative(key string, got, tolerance float64) {
	r.t.Helper()
	want, _ := strconv.ParseFloat(r.left[key], 64)
	r.near(key, got, tolerance*math.Abs(want))
}

var number = regexp.MustCompile(`(?:^|[^A-Za-z0-9.])(-?[0-9]+(?:\.[0-9]+)?)`)

// numbers are those of a text in their order; "a..b" are two, and a digit behind a letter is none.
func numbers(s string) []float64 {
	var out []float64
	for _, m := range number.FindAllStringSubmatch(strings.ReplaceAll(s, "..", "  "), -1) {
		v, _ := strconv.ParseFloat(m[1], 64)
		out = append(out, v)
	}
	return out
}

// list holds values against all numbers of a text.
func (r *row) list(text string, got []float64, tolerance func(i int, want float64) float64) {
	r.t.Helper()
	want := numbers(text)
	if len(got) != len(want) {
		r.t.Fatalf("%v beside %v of %q", got, want, text)
	}
	for i := range got {
		if !(math.Abs(got[i]-want[i]) <= tolerance(i, want[i])) {
			r.t.Errorf("number %d is %.10g, want %.10g", i+1, got[i], want[i])
		}
	}
}

// whole says that the whole expected text was held against, so that no key of it is left.
func (r *row) whole() { clear(r.left) }

func absolute(tolerance float64) func(int, float64) float64 {
	return func(int, float64) float64 { return tolerance }
}

// ok is a value; without one the row ends here.
func ok[T any](v T, err error) func(*row) T {
	return func(r *row) T {
		r.t.Helper()
		if err != nil {
			r.t.Fatal(err)
		}
		return v
	}
}
