package cases_test

import (
	"math"
	"slices"
	"strings"

	"coldsection.example/services/consumables/internal/reorder"
	"coldsection.example/services/consumables/internal/water"
)

// gradeOf is the id of a grade that the table calls by its printed name.
var gradeOf = map[string]string{
	"ISO 3696 grade 2": "iso3696-2", "ISO 3696 grade 3": "iso3696-3", "ASTM D1193 II": "astm-d1193-ii", "ASTM D1193 III": "astm-d1193-iii",
	"ASTM D1193 IV": "astm-d1193-iv",
}

func waters(r row) {
	r.skip("why", "rule", "next")
	switch {
	case r.id == "W07":
		r.same("ordered_by_number", water.Published["astm-d1193-iii"].ConductivityMax > water.Published["astm-d1193-ii"].ConductivityMax)
	case r.given["resistivity_mohm_cm"] != nil:
		r.near("cond_us_cm", water.Published["astm-d1193-iv"].ConductivityMax, 1e-9)
	case r.given["tds_factor_range"] != nil:
		least, most := water.SolidsEstimate(r.number("cond_us_cm_25c"))
		if want := numbers(r.want("tds_mg_l_range")); math.Abs(least-want[0]) > 1e-9 || math.Abs(most-want[1]) > 1e-9 {
			r.t.Errorf("%s: %v to %v", r.id, least, most)
		}
	case r.given["method"] != nil:
		checks, _, passed, err := water.Judge(water.Published["usp-645"], water.Reading{Conductivity: r.number("uncompensated_us_cm"), Temperature: r.number("temp_c")})
		if err != nil || !strings.Contains(checks[0].Limit, "1.1 µS/cm at 20 °C") {
			r.t.Fatalf("%s: %v (%v)", r.id, checks, err)
		}
		r.near("row_c", 20, 0)
		r.near("limit", 1.1, 0)
		r.same("pass", passed)
	case r.given["reading_us_cm"] != nil:
		reading := water.Reading{Conductivity: r.number("reading_us_cm"), Temperature: r.number("temp_c"), PH: 6.8, Solids: 1}
		checks, _, passed, err := water.Judge(water.Published["iso3696-3"], reading)
		if err != nil {
			r.t.Fatalf("%s: %v", r.id, err)
		}
		r.near("cond25", checks[0].Value, 0.0005)
		r.same("pass", passed)
		r.same("raw_pass", reading.Conductivity <= r.number("limit_25c"))
	default:
		graded(r)
	}
}

// graded judges a row against its grade; what it leaves out is well within the limits.
func graded(r row) {
	id := gradeOf[r.text("grade")+r.text("type")]
	reading := water.Reading{Conductivity: 0.2, Temperature: 25, PH: 6.8, Silica: 0.0001, Solids: 0.5}
	for key, into := range map[string]*float64{"cond_us_cm_25c": &reading.Conductivity, "pH": &reading.PH, "silica_mg_l": &reading.Silica} {
		if v, ok := r.given[key].(float64); ok {
			*into = v
		}
	}
	if v, ok := r.given["silica_ug_l"].(float64); ok {
		reading.Silica = v / 1000
	}
	_, _, passed, err := water.Judge(water.Published[id], reading)
	if err != nil || id == "" {
		r.t.Fatalf("%s: %v", r.id, err)
	}
	r.same("pass", passed)
	if r.left["limit"] != nil {
		r.near("limit", 1000*water.Published[id].SilicaMax, 1e-9)
	}
}

func reorders(r row) {
	r.skip("exact", "raw", "avg_inventory", "orders", "years_between", "annual_cost_each") // follow from those below
	switch r.id {
	case "R01", "R03":
		d := reorder.Demand{Mean: r.number("weekly_mean"), Deviation: r.number("weekly_sd"), Lead: r.number("lead_weeks")}
		mean, deviation := d.DuringLead()
		r.near("sigma_l", deviation, 0.5)
		cycle, shortage, fill := reorder.Service(d, r.number("rop"), r.number("q"))
		r.near("safety", r.number("rop")-mean, 1e-9)
		r.near("csl", cycle, 0.005)
		r.near("esc", shortage, 0.005)
		r.near("fill", fill, 0.005)
	case "R02":
		z, _ := reorder.Z(r.number("csl"))
		point, safety := reorder.Point(reorder.Demand{Mean: r.number("weekly_mean"), Deviation: r.number("weekly_sd"), Lead: r.number("lead_weeks")}, z)
		r.near("safety", safety, 0.5)
		r.near("rop", point, 0.5)
	case "R04": // with the printed z of 1.28; the exact one gives 513.79
		point, _ := reorder.Point(reorder.Demand{Mean: r.number("weekly_demand"), Lead: r.number("lead_weeks_mean"), LeadSigma: r.number("lead_weeks_sd")}, r.number("z"))
		r.near("rop", point, 0.5)
	case "R05", "R06":
		r.near("eoq", reorder.Economic(r.number("annual"), r.number("order_cost"), r.number("rate")*unitCost(r)), 0.8)
	case "R07", "R08":
		r.near("eoq", reorder.Economic(r.number("annual"), r.number("order_cost"), r.number("holding")), 0.5)
	case "R09":
		r.near("q", reorder.EconomicRun(r.number("annual"), r.number("rate_prod"), r.number("setup"), r.number("holding")), 0.005)
	case "R11":
		want := numbers(r.want("z"))
		for i, service := range numbers(r.given["service"]) {
			if z, err := reorder.Z(service); err != nil || math.Abs(z-want[i]) > 0.00006 {
				r.t.Errorf("%s: z of %v is %v (%v)", r.id, service, z, err)
			}
		}
	case "R12":
		r.skip("P_le_4", "P_le_5")
		r.near("reorder_level", float64(reorder.PoissonLevel(r.number("lead_demand_mean"), r.number("service"))), 0)
	}
}

func unitCost(r row) float64 {
	if r.text("unit_cost") == "0.02" {
		return 0.02
	}
	return r.number("unit_cost")
}

func counts(r row) {
	days, perDay, total := object(r.given["every_days"]), object(r.want("per_day")), 0.0
	for class, pct := range map[string]string{"A": "A_pct", "B": "B_pct", "C": "C_pct"} {
		every, _ := days[class].(float64)
		got := reorder.CountsPerDay(r.number("items")*r.number(pct)/100, every)
		if want, _ := perDay[class].(float64); math.Abs(got-want) > 0.05 {
			r.t.Errorf("%s: %s %v, want %v", r.id, class, got, want)
		}
		total += got
	}
	r.near("total", total, 0.5)
}

// productC is the series of R13, which R14 and R15 refer to.
var productC = []float64{0, 2, 0, 1, 0, 11, 0, 0, 0, 0, 2, 0, 6, 3, 0, 0, 0, 0, 0, 7, 0, 0, 0, 0, 0, 0, 0, 3, 1, 0, 0, 1, 0, 1, 0, 0}

func intermittent(r row) {
	series := productC
	if given := numbers(r.given["series"]); len(given) > 0 && !slices.Equal(given, productC) {
		r.t.Fatalf("%s: the series is another one", r.id)
	}
	switch r.id {
	case "R13":
		sizes, intervals := reorder.Split(series)
		if !slices.Equal(sizes, numbers(r.want("sizes"))) || !slices.Equal(intervals, numbers(r.want("intervals"))) {
			r.t.Errorf("%s: %v %v", r.id, sizes, intervals)
		}
	case "R14":
		f, _ := reorder.Croston(series, r.number("alpha"))
		r.near("size", f.Size, 5e-7)
		r.near("interval", f.Interval, 5e-6)
		r.near("croston", f.Croston, 5e-7)
		r.near("sba", f.SBA, 5e-7)
		r.near("sbj", f.SBJ, 5e-7)
	default:
		class, interval, variation := reorder.Class(series)
		r.near("adi", interval, 0.0005)
		r.near("cv2_sample", variation, 0.0005)
		r.same("class", class)
	}
}
