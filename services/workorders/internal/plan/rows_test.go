package plan

import (
	"encoding/csv"
	"encoding/json"
	"math"
	"os"
	"slices"
	"strings"
	"testing"
)

// row is a line of testdata/cases.csv; its source stands in the file.
type row struct {
	t             *testing.T
	id            string
	given, expect map[string]any
}

func read(t *testing.T) (rows []row) {
	t.Helper()
	file, err := os.Open("testdata/cases.csv")
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = file.Close() }()
	lines, err := csv.NewReader(file).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	for _, line := range lines[1:] {
		r := row{t: t, id: line[0]}
		if err := json.Unmarshal([]byte(line[2]), &r.given); err != nil {
			t.Fatalf("%s: %v", r.id, err)
		}
		if err := json.Unmarshal([]byte(line[3]), &r.expect); err != nil || line[4] == "" {
			t.Fatalf("%s: %v, source %q", r.id, err, line[4])
		}
		rows = append(rows, r)
	}
	return rows
}

// in and want are numbers of the row, which must be there.
func (r row) in(key string) float64   { return r.number(r.given, key) }
func (r row) want(key string) float64 { return r.number(r.expect, key) }

func (r row) number(m map[string]any, key string) float64 {
	r.t.Helper()
	switch v := m[key].(type) {
	case float64:
		return v
	case string:
		var f float64
		if err := json.Unmarshal([]byte(v), &f); err == nil {
			return f
		}
	}
	r.t.Fatalf("%s has no number %q: %v", r.id, key, m)
	return 0
}

func (r row) list(m map[string]any, key string) (out []float64) {
	r.t.Helper()
	values, _ := m[key].([]any)
	for _, v := range values {
		f, ok := v.(float64)
		if !ok {
			r.t.Fatalf("%s: %q is no list of numbers: %v", r.id, key, m)
		}
		out = append(out, f)
	}
	return out
}

func (r row) near(what string, got, want, within float64) {
	r.t.Helper()
	if math.IsNaN(got) || math.Abs(got-want) > within {
		r.t.Errorf("%s, %s: %v, want %v", r.id, what, got, want)
	}
}

// lange are the rows of Lange's Handbook as the case file prints them.
func lange(rows []row) (table []Row) {
	for _, r := range rows {
		if r.given["vol_pct"] != nil {
			table = append(table, Row{r.in("vol_pct"), r.want("freeze_c"), r.want("mass_pct"), r.want("sg_15_6")})
		}
	}
	return table
}

// basis are data that wash half a US gallon at 6 to 1 with 3 L/min at 38 psi, which a case changes.
func basis() Data {
	kPa := 262.00077714
	return Data{
		Document: "case", WaterParts: 6, CleanerParts: 1, BatchML: 1892.705892, StepML: 1, K: 3 / math.Sqrt(kPa), PressureKPa: kPa, ValveWindow: 25, AntifreezeBelow: 4,
		AntifreezeCeiling: 4, WashMin: -60, AntifreezeSource: "Lange", Profiles: []Profile{{ID: "p", PowerSource: "battery", Runs: []Duty{{30, 60}, {30, 60}, {30, 1800}}}},
	}
}

// elsewhere are rows that this planner has no computation for, and the test that checks them.
var elsewhere = map[string]string{
	"S01": "TestStarterCases", "S02": "TestStarterCases", "S03": "TestStarterCases", "S04": "TestStarterCases", "S05": "TestSoakOverlapsTheRest",
}

// Every row of the case file that belongs to planning is checked, here or in the test that elsewhere names; a row that nobody
// checks fails, and so does a check whose row is gone.
func TestEveryRowIsChecked(t *testing.T) {
	rows := read(t)
	table := lange(rows)
	checks := checksOf(table)
	seen := map[string]bool{}
	for _, r := range rows {
		seen[r.id] = true
		switch check := checks[r.id]; {
		case check != nil:
			check(r)
		case strings.HasPrefix(r.id, "E0"):
			r.class()
		case r.given["vol_pct"] != nil:
			r.printed(table)
		case elsewhere[r.id] != "":
			if source, err := os.ReadFile("cases_test.go"); err != nil || !strings.Contains(string(source), "func "+elsewhere[r.id]+"(") || !strings.Contains(string(source), r.id) {
				t.Errorf("%s is said to be checked by %s, which does not name it", r.id, elsewhere[r.id])
			}
		default:
			t.Errorf("nobody checks row %s", r.id)
		}
	}
	for id := range checks {
		if !seen[id] {
			t.Errorf("row %s is gone", id)
		}
	}
}

func (r row) class() {
	got, ok := Salinity(r.in("chloride_mg_m2_day"))
	want, _ := r.expect["class"].(string)
	if refused := strings.Contains(want, "refuse"); ok == refused || !refused && got != want {
		r.t.Errorf("%s: %q %t, want %q", r.id, got, ok, want)
	}
}

// printed: a printed row is taken just as it stands, at its own freezing point.
func (r row) printed(table []Row) {
	d := basis()
	d.Antifreeze = table
	p := Compute(d, false, new(r.want("freeze_c")), "battery")
	if p.Row == nil || p.Row.VolumePercent != r.in("vol_pct") || p.Row.MassPercent != r.want("mass_pct") {
		r.t.Errorf("%s: %+v %v", r.id, p.Row, p.Refusals)
	}
}

func checksOf(table []Row) map[string]func(r row) {
	cold := func(r row) Plan {
		d := basis()
		if d.Antifreeze = table; r.given["agent"] == "isopropanol" {
			d.Antifreeze = nil
		}
		if r.given["margin_c"] != nil {
			d.AntifreezeMargin = r.in("margin_c")
		}
		return Compute(d, false, new(r.in("oat_c")), "battery")
	}
	takes := func(r row) {
		if p := cold(r); p.Row == nil || p.Row.VolumePercent != r.want("vol_pct") || p.Row.FreezingC != r.want("freeze_c") {
			r.t.Errorf("%s: %+v %v", r.id, p.Row, p.Refusals)
		}
	}
	refuses := func(r row) {
		if p := cold(r); !p.AntifreezeRefused || len(p.Refusals) == 0 || len(p.Timeline) != 0 {
			r.t.Errorf("%s: %+v", r.id, p)
		}
	}
	return map[string]func(r row){
		"M01": mixed, "M02": fractions, "M03": mixed, "A09": melinder, "A10": agreement(table), "A11": takes, "A12": takes, "A13": refuses, "A14": func(r row) {
			if p := cold(r); p.Row != nil || p.AntifreezeML != 0 || len(p.Refusals) != 0 {
				r.t.Errorf("%s: %+v", r.id, p)
			}
		},
		"A15": refuses, "A16": func(r row) { r.near("depression", Depression(r.in("mass_pct"), 32.042), r.want("depression_c"), 0.005) }, "A17": richer,
		"V01": molar, "V02": densities, "V03": measuredIn, "S06": tooShort, "F01": nozzle, "F02": nozzle, "F03": nozzles, "F04": meter, "F05": hole, "F06": weaker,
		"F07": halfGallon, "F08": halfGallon, "F09": blowOut, "F10": relief,
	}
}

func mixed(r row) {
	d := basis()
	if r.id == "M03" {
		d.BatchML = 2000
	}
	d.WaterParts, d.CleanerParts = int(r.in("water_parts")), int(r.in("cleaner_parts"))
	p := Compute(d, false, new(20.0), "battery")
	if r.id == "M03" {
		r.near("cleaner", p.CleanerML, r.want("cleaner_ml"), 0)
		r.near("water", p.WaterML, r.want("water_ml"), 0)
		return
	}
	rounded, _ := r.expect["rounded_1ml"].(map[string]any)
	r.near("cleaner", p.CleanerML, r.number(rounded, "cleaner"), 0)
	r.near("water", p.WaterML, r.number(rounded, "water"), 0)
	r.near("sum", p.SolutionML, r.number(rounded, "sum"), 0)
	i := slices.IndexFunc(p.Numbers, func(n Number) bool { return strings.Contains(n.Formula, "270.39") })
	if i < 0 {
		r.t.Errorf("the exact %v mL are not explained: %+v", r.want("cleaner_ml_exact"), p.Numbers)
	}
}

// fractions: "1:6" is stored as two integers, and each reading gives its own fraction.
func fractions(r row) {
	for water, want := range map[int]float64{6: 1.0 / 7, 5: 1.0 / 6} {
		d := basis()
		d.WaterParts, d.BatchML, d.StepML = water, 42000, 1
		p := Compute(d, false, new(20.0), "battery")
		r.near("fraction", p.CleanerML/d.BatchML, want, 1e-9)
	}
}

// melinder: the second published table goes through the planner as printed; volume per cent is not printed there, so mass per cent
// stands in its place, and the next richer row is taken.
func melinder(r row) {
	d := basis()
	masses, freezing := r.list(r.given, "mass_pct"), r.list(r.expect, "freeze_c")
	for i, m := range masses {
		d.Antifreeze = append(d.Antifreeze, Row{VolumePercent: m, FreezingC: freezing[i]})
	}
	for i := range masses[:len(masses)-1] {
		if p := Compute(d, false, new(freezing[i]-0.01), "battery"); p.Row == nil || p.Row.VolumePercent != masses[i+1] {
			r.t.Errorf("below %v: %+v", freezing[i], p.Row)
		}
	}
}

// agreement: both published tables agree at 33.6 % by mass.
func agreement(table []Row) func(r row) {
	return func(r row) {
		values := r.list(r.expect, "freeze_c")
		r.near("tables", values[1], values[0], r.want("agree_within_c"))
		last := table[len(table)-1]
		r.near("mass", last.MassPercent, r.in("mass_pct"), 0)
		r.near("printed", last.FreezingC, values[0], 0)
	}
}

func richer(r row) {
	d := basis()
	d.Antifreeze = []Row{{VolumePercent: 30, FreezingC: -15}, {VolumePercent: 40, FreezingC: -23}}
	p := Compute(d, false, new(r.in("target_c")), "battery")
	if p.Row == nil || p.Row.VolumePercent != r.want("rule_answer_next_richer_row") {
		r.t.Errorf("%s: %+v", r.id, p.Row)
	}
}

func molar(r row) {
	partial, pure := r.list(r.given, "partial_molar"), r.list(r.given, "molar")
	first, second := fromMolar(0.3, [2]float64(partial), [2]float64(pure))
	r.near("methanol", 2000*first, r.want("methanol_cm3"), 0.5)
	r.near("water", 2000*second, r.want("water_cm3"), 0.5)
	r.near("contraction", (1-1/(first+second))*100, r.want("contraction_pct"), 0.05)
}

func densities(r row) {
	mix := r.in("rho_mix") / 1000
	first, second := Contraction(r.in("mass_pct_methanol")/100, mix, r.in("rho_methanol")/1000, r.in("rho_water")/1000)
	actual := 100 / mix
	r.near("actual", actual, r.want("actual_ml_per_100g"), 0.01)
	r.near("ideal", actual*(first+second), r.want("ideal_ml_per_100g"), 0.01)
	r.near("contraction", (1-1/(first+second))*100, r.want("contraction_pct"), 0.01)
}

// measuredIn: what the plan says to measure in for a litre of rinse water of 20 % by volume.
func measuredIn(r row) {
	rho, _ := r.given["rho15_6"].(map[string]any)
	d := basis()
	d.Antifreeze = []Row{{20, -11.7, r.in("mass_pct"), r.in("sg")}}
	d.Densities = Densities{Antifreeze: r.number(rho, "methanol"), Water: r.number(rho, "water")}
	d.RinseML, d.RinseRuns = 1000, 1
	p := Compute(d, true, new(-9.0), "battery")
	r.near("methanol", p.RinseAntifreezeML, r.want("methanol_ml"), 0)
	r.near("water", p.RinseWaterML, r.want("water_ml"), 0.5)
	r.near("sum", p.RinseAntifreezeML+p.RinseWaterML, r.want("sum_ml"), 0.5)
}

// tooShort: a run of 20 s can't hold 5 s of delay and 25 s of flow; the plan opens the valve for the 15 s that are left and says
// what the full time would need.
func tooShort(r row) {
	d := basis()
	d.OpenDelay, d.ValveWindow = int(r.in("open_after_s")), int(r.in("close_after_open_s"))
	d.Profiles[0].Runs = []Duty{{20, 120}, {20, 120}, {20, 3600}}
	p := Compute(d, false, new(20.0), "battery")
	i := slices.IndexFunc(p.Numbers, func(n Number) bool {
		return strings.Contains(n.Formula, "need 30 s of rotation, the profile allows 20 s")
	})
	if i < 0 {
		r.t.Fatalf("%s: %+v", r.id, p.Numbers)
	}
	r.near("flow", p.Numbers[i].Value, r.want("max_flow_s"), 0)
}

func nozzle(r row) {
	if r.id == "F01" {
		r.near("K", r.in("q_gpm")/math.Sqrt(r.in("dp_psi")), r.want("k"), 0.005)
		return
	}
	d := basis()
	d.K, d.PressureKPa = r.in("k"), r.in("dp_psi")
	r.near("Q", Compute(d, false, new(20.0), "battery").FlowLMin, r.want("exact"), 0.05)
}

func nozzles(r row) {
	want := r.list(r.expect, "q_l_min")
	for i, mpa := range r.list(r.given, "dp_mpa") {
		d := basis()
		d.K, d.PressureKPa = r.in("k_l_min_sqrt_bar")/math.Sqrt(100), mpa*1000
		r.near("Q", Compute(d, false, new(20.0), "battery").FlowLMin, want[i], 0.005)
	}
}

// meter: an orifice in a pipe has a velocity of approach, 1/√(1 − (d/D)⁴), which the ring's holes have not.
func meter(r row) {
	head := r.in("manometer_mm_hg") / 1000 * (13.6/r.in("sg_oil") - 1)
	r.near("head", head, r.want("head_m_oil"), 0.005)
	density := r.in("sg_oil") * 1000
	approach := 1 / math.Sqrt(1-math.Pow(r.in("orifice_mm")/r.in("pipe_mm"), 4))
	q := Orifice(r.in("cd"), r.in("orifice_mm"), density*9.81*head/1000, density, 1) * approach / 60000
	r.near("Q", q, r.want("q_m3_s"), 0.0001)
}

func hole(r row) {
	r.near("Q", Orifice(r.in("cd"), r.in("hole_mm"), r.in("dp_kpa"), r.in("rho"), 1), r.want("q_l_min"), 0.0005)
	r.near("speed", Orifice(1, 1, r.in("dp_kpa"), r.in("rho"), 1)/60000/(math.Pi/4*1e-6), r.want("velocity_m_s"), 0.005)
}

func weaker(r row) {
	d := basis()
	d.PressureKPa *= r.in("now_psi") / 38
	r.near("Q", Compute(d, false, new(20.0), "battery").FlowLMin, r.want("l_per_min"), 0.00005)
}

func halfGallon(r row) {
	d := basis()
	d.BatchML, d.ValveWindow = r.in("batch_l")*1000, int(r.in("flow_s_per_run"))
	p := Compute(d, false, new(20.0), "battery")
	r.near("runs", float64(p.WashRuns), r.want("runs"), 0)
	r.near("a run", p.Timeline[0].VolumeML/1000, r.want("l_per_run"), 0.0005)
	if r.expect["last_run_flow_s"] != nil {
		last := 0.0
		for _, e := range p.Timeline {
			if e.Activity == WashRun {
				last = e.VolumeML / 50
			}
		}
		r.near("the last run", last, r.want("last_run_flow_s"), 0.01)
	}
}

func blowOut(r row) {
	const psi = 6.894757293168
	if MayBlowOut(r.in("psi")*psi) || MayBlowOut(r.in("limit_psi")*psi) || !MayBlowOut(29.9*psi) {
		r.t.Errorf("%s: the limit is not below 30 psi", r.id)
	}
	p := Compute(basis(), false, new(20.0), "battery")
	if !slices.ContainsFunc(p.Numbers, func(n Number) bool { return strings.Contains(n.Source, "1910.242") && n.Alternate == "30.0 psi" }) {
		r.t.Errorf("%s: the plan does not say it: %+v", r.id, p.Numbers)
	}
}

func relief(r row) {
	const psi = 6.894757293168
	c := Container{Allowed: r.in("mawp_psi") * psi, ReliefSet: r.want("relief_set_max_psi") * psi}
	r.near("highest", c.Highest()/psi, r.want("max_pressure_psi"), 1e-9)
	d := basis()
	d.Container = c
	if p := Compute(d, false, new(20.0), "battery"); len(p.Refusals) != 0 {
		r.t.Errorf("%s: %v", r.id, p.Refusals)
	}
	d.Container.ReliefSet++
	if p := Compute(d, false, new(20.0), "battery"); len(p.Refusals) != 1 || !strings.Contains(p.Refusals[0], "relief valve") {
		r.t.Errorf("%s: %v", r.id, p.Refusals)
	}
}
