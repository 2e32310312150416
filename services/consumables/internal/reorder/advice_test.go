package reorder_test

import (
	"math"
	"strings"
	"testing"

	"coldsection.example/services/consumables/internal/reorder"
	"coldsection.example/services/platform/fault"
)

// steady is a use of 60 units a week for ten weeks of seven days, without a deviation from day to day.
func steady() []float64 {
	series := make([]float64, 70)
	for i := range series {
		series[i] = 60.0 / 7
	}
	return series
}

// R04 (Heizer & Render, Operations Management ch. 12, eq. 12-16): 60 a week, lead time of 6 weeks with a deviation of 2, service
// 90 %: 513.79 with the exact z. The order comes up to the point, for the days of cover, in whole packs.
func TestAdviceShowsItsArithmetic(t *testing.T) {
	policy := reorder.Policy{CoverDays: 70, Lead: 42, LeadSD: 14, Service: 0.9, Pack: 100}
	a, err := reorder.Advise(policy, reorder.Shelf{Usable: 600, Ending: 100, Promised: 50, Missing: 10, Ordered: 20}, steady())
	if err != nil || math.Abs(a.Point-513.79) > 0.01 || a.Position != 460 || !a.Now {
		t.Fatalf("%+v (%v)", a, err)
	}
	if a.Quantity != 700 { // 53.79 up to the point and 600 for ten weeks, in packs of 100
		t.Errorf("order %v", a.Quantity)
	}
	var names []string
	for _, s := range a.Steps {
		if s.Formula == "" || s.Source == "" {
			t.Errorf("%s does not explain itself", s.Name)
		}
		names = append(names, s.Name)
	}
	want := "use per day|deviation per day|position|use during the lead time|deviation during the lead time|safety stock|reorder point|quantity|in whole packs"
	if got := strings.Join(names, "|"); got != want {
		t.Errorf("steps %s", got)
	}
}

func TestAdviceByMinimumMaximumAndLife(t *testing.T) {
	for _, c := range []struct {
		what     string
		policy   reorder.Policy
		usable   float64
		now      bool
		quantity float64
	}{
		{"above the minimum", reorder.Policy{Min: 100, Max: 400}, 101, false, 0},
		{"at the minimum", reorder.Policy{Min: 100, Max: 400}, 100, true, 300},
		// A year's cover of what keeps 14 days is nonsense: two weeks of use.
		{"more than keeps", reorder.Policy{Min: 100, CoverDays: 365, LifeDays: 14}, 100, true, 120},
		{"no use and no maximum", reorder.Policy{Min: 100, LifeDays: 14}, 40, true, 60},
		{"no use, at the minimum", reorder.Policy{Min: 100}, 100, true, 0},
		{"no use and nothing there", reorder.Policy{Lead: 14, CoverDays: 90}, 0, false, 0},
	} {
		series := steady()
		if strings.HasPrefix(c.what, "no use") {
			series = make([]float64, 70)
		}
		a, err := reorder.Advise(c.policy, reorder.Shelf{Usable: c.usable}, series)
		if err != nil || a.Now != c.now || math.Abs(a.Quantity-c.quantity) > 1e-6 || a.Explanation == "" {
			t.Errorf("%s: %+v (%v)", c.what, a, err)
		}
	}
	if _, err := reorder.Advise(reorder.Policy{Service: 0.2}, reorder.Shelf{}, steady()); !fault.HasReason(err, "SERVICE_LEVEL_INVALID") {
		t.Errorf("a service level of 20 %%: %v", err)
	}
}

// R14 (series of Hyndman & Athanasopoulos; Croston with α 0.1 and first values): use that comes now and then is forecast by SBA.
func TestUseNowAndThenIsForecast(t *testing.T) {
	series := []float64{0, 2, 0, 1, 0, 11, 0, 0, 0, 0, 2, 0, 6, 3, 0, 0, 0, 0, 0, 7, 0, 0, 0, 0, 0, 0, 0, 3, 1, 0, 0, 1, 0, 1, 0, 0}
	a, err := reorder.Advise(reorder.Policy{Lead: 10, CoverDays: 30}, reorder.Shelf{}, series)
	if err != nil || a.Steps[1].Name != "use per day, lumpy" || math.Abs(a.Steps[1].Value-0.935367) > 5e-7 {
		t.Errorf("%+v (%v)", a.Steps, err)
	}
	if _, ok := reorder.Croston(make([]float64, 5), 0.1); ok {
		t.Error("no use has a forecast")
	}
	for class, s := range map[string][]float64{"smooth": {1, 1, 1}, "erratic": {1, 9, 1}, "intermittent": {0, 1, 0, 1}, "none": {0}} {
		if got, _, _ := reorder.Class(s); got != class {
			t.Errorf("%v is %s", s, got)
		}
	}
}

// What orders want already is ordered whatever little was used before: planned use is known, and the cap by shelf life is for the forecast.
func TestTheCapByLifeLeavesWhatOrdersWant(t *testing.T) {
	series := make([]float64, 180)
	for i := range series {
		series[i] = 0.01
	}
	policy := reorder.Policy{Lead: 10, CoverDays: 365, LifeDays: 100}
	a, err := reorder.Advise(policy, reorder.Shelf{Missing: 20}, series)
	// position −20, point 0.1, so that 20.1 up to the point and 3.65 for a year; it keeps 100 days: 20 and 1
	if err != nil || !a.Now || math.Abs(a.Quantity-21) > 1e-9 {
		t.Errorf("%+v (%v)", a, err)
	}
	policy.Pack = 25
	a, err = reorder.Advise(policy, reorder.Shelf{Missing: 20}, series)
	if err != nil || a.Quantity != 25 || !strings.Contains(a.Explanation, "Only 21 of it will be used before its life ends") {
		t.Errorf("in packs: %+v (%v)", a, err)
	}
}

// A number in an explanation is never an exponent, which somebody in a hurry reads as 1.235.
func TestNumbersAreReadable(t *testing.T) {
	a, err := reorder.Advise(reorder.Policy{Min: 1_234_567, Max: 9_999_999}, reorder.Shelf{Usable: 0.00002}, steady())
	if err != nil || !strings.Contains(a.Explanation, "The position of 0.00002 is at or below the reorder point of 1234570: order 10000000.") {
		t.Errorf("%s (%v)", a.Explanation, err)
	}
	for _, s := range a.Steps {
		if strings.Contains(s.Formula, "e+") || strings.Contains(s.Formula, "e-") {
			t.Errorf("%s: %s", s.Name, s.Formula)
		}
	}
}
