package margin

import (
	"fmt"
	"math"
	"math/rand/v2"
	"strings"
	"testing"
	"time"
)

var day0 = time.Date(2026, time.January, 1, 0, 0, 0, 0, time.UTC)

// flown are readings every so many hours, 4 h a day, by a rule and with noise of first-order autocorrelation.
func flown(n int, every float64, level func(h float64) float64, sd, phi float64, rng *rand.Rand) []Sample {
	var out []Sample
	e := sd * rng.NormFloat64()
	for i := range n {
		h := 1000 + every*float64(i)
		e = phi*e + sd*math.Sqrt(1-phi*phi)*rng.NormFloat64()
		out = append(out, Sample{At: day0.Add(time.Duration(every / 4 * float64(i) * 24 * float64(time.Hour))), Hours: h, ITT: level(h) + e})
	}
	return out
}

func straight(h float64) float64 { return 5 + 0.04*(h-1000) }

func seeded(n uint64) *rand.Rand { return rand.New(rand.NewPCG(n, n)) }

// The truth: 5 + 0.04·h reaches 20 °C at 375 h; the newest reading is at 297 h, so 78 h remain.
func TestAForecastOfAStraightRise(t *testing.T) {
	c := Forecast(flown(100, 3, straight, 1, 0, seeded(1)), 20)
	if !c.Foreseen || c.Reached || c.P10 > 78 || c.P90 < 78 || math.Abs(c.P50-78) > 25 || !(c.P10 < c.P50 && c.P50 < c.P90) {
		t.Errorf("%+v", c)
	}
	if math.Abs(c.Slope.Estimate-4) > 0.4 || !(c.Slope.Low < 4 && 4 < c.Slope.High) {
		t.Errorf("%+v", c.Slope)
	}
	early, middle, late := c.Dates(day0, Use{2, 4, 8})
	if math.Abs(middle.Sub(day0).Hours()/24-c.P50/4) > 1e-3 || !early.Before(middle) || !middle.Before(late) {
		t.Errorf("%v %v %v", early, middle, late)
	}
}

// The limit of the rises below is 30 °C, which each truth reaches after 625 h; the newest reading is at 357 h.
const crossed, flownTo = 625, 3 * 119

// rises are truths of every shape; what flattens does so little or much by then.
var rises = map[string]func(h float64) float64{
	"straight":      straight,
	"flattens":      func(h float64) float64 { return 5 + 25*(1-math.Exp(-(h-1000)/450))/(1-math.Exp(-crossed/450.0)) },
	"flattens more": func(h float64) float64 { return 5 + 25*(1-math.Exp(-(h-1000)/300))/(1-math.Exp(-crossed/300.0)) },
	"steepens":      func(h float64) float64 { return 5 + 25*math.Expm1((h-1000)/400)/math.Expm1(crossed/400.0) },
}

// The range of 10 to 90 % that a forecast states holds the truth in at least 70 of 100 forecasts given, of rises of every shape and
// with noise that remembers too. A forecast that says too late, the dangerous side, is one in ten at most. "No crossing
// foreseen" and a range without an end are answers, but not the usual ones.
func TestTheForecastCoversTheTruth(t *testing.T) {
	const tries = 120
	for name, rise := range rises {
		for _, phi := range []float64{0, 0.4} {
			covered, foreseen, late, open := 0, 0, 0, 0
			for seed := range uint64(tries) {
				c := Forecast(flown(120, 3, rise, 2, phi, seeded(seed)), 30)
				if !c.Foreseen {
					continue
				}
				foreseen++
				if c.Open {
					open++
				}
				switch ahead := float64(crossed - flownTo); {
				case c.P10 > ahead:
					late++
				case ahead <= c.P90 || c.Open:
					covered++
				}
			}
			said := fmt.Sprintf("%s, φ %g: of %d foreseen %d, in the range %d, said too late %d, without an end %d", name, phi, tries, foreseen, covered, late, open)
			t.Log(said)
			if foreseen < tries/2 || 10*covered < 7*foreseen || 10*late > foreseen || 2*open > foreseen+foreseen/10 {
				t.Error(said)
			}
		}
	}
}

// A rise that may level off has no latest hour, and the reason says so.
func TestARangeMayHaveNoEnd(t *testing.T) {
	for seed := range uint64(50) {
		c := Forecast(flown(120, 3, rises["flattens more"], 2, 0.4, seeded(seed)), 30)
		if !c.Open {
			if strings.Contains(c.Reason, "no latest hour") {
				t.Errorf("%+v", c)
			}
			continue
		}
		if !c.Foreseen || c.P90 < furthest*flownTo-1 || c.P50 >= c.P90 || !strings.Contains(c.Reason, "no latest hour") {
			t.Errorf("%+v", c)
		}
		return
	}
	t.Error("none of 50 forecasts is without an end")
}

func TestNoCrossingIsAnAnswer(t *testing.T) {
	level := func(slope float64) func(float64) float64 {
		return func(h float64) float64 { return 5 + slope*(h-1000) }
	}
	for name, c := range map[string]struct {
		samples []Sample
		limit   float64
		words   string
	}{
		"too few":      {flown(9, 3, straight, 1, 0, seeded(1)), 20, "9 readings"},
		"falling":      {flown(100, 3, level(-0.02), 1, 0, seeded(1)), 20, "does not certainly rise"},
		"flat":         {flown(100, 3, level(0), 1, 0, seeded(2)), 20, "does not certainly rise"},
		"much too far": {flown(100, 3, straight, 1, 0, seeded(1)), 100, "carry a forecast no further"},
		"one time":     {flown(20, 0, straight, 1, 0, seeded(1)), 20, "make no line"},
		"no number":    {flown(20, 3, func(float64) float64 { return math.NaN() }, 1, 0, seeded(1)), 20, "No forecast"},
		"no limit":     {flown(100, 3, straight, 1, 0, seeded(1)), math.NaN(), "No forecast"},
	} {
		if got := Forecast(c.samples, c.limit); got.Foreseen || !strings.Contains(got.Reason, c.words) || got.P50 != 0 {
			t.Errorf("%s: %+v", name, got)
		}
	}
	if got := Forecast(flown(100, 3, straight, 1, 0, seeded(1)), 10); !got.Reached || got.P50 != 0 {
		t.Errorf("a limit behind us: %+v", got)
	}
}

func TestTheOrderOfArrivalChangesNothing(t *testing.T) {
	s := flown(60, 3, straight, 1, 0, seeded(3))
	want := Forecast(s, 20)
	rng := seeded(9)
	rng.Shuffle(len(s), func(i, j int) { s[i], s[j] = s[j], s[i] })
	if got := Forecast(s, 20); got != want {
		t.Errorf("%+v, want %+v", got, want)
	}
}

func TestUse(t *testing.T) {
	u, ok := UseOf(flown(100, 4, straight, 1, 0, seeded(1))) // a reading a day, 4 h each
	if !ok || math.Abs(u.Low-4) > 1e-9 || math.Abs(u.Middle-4) > 1e-9 || math.Abs(u.High-4) > 1e-9 {
		t.Errorf("%+v %v", u, ok)
	}
	if _, ok := UseOf(flown(20, 4, straight, 1, 0, seeded(1))); ok {
		t.Error("19 days are less than two fortnights")
	}
	if _, ok := UseOf(nil); ok {
		t.Error("nothing is no use")
	}
	parked := flown(100, 0.0001, straight, 1, 0, seeded(1))
	for i := range parked {
		parked[i].At, parked[i].Hours = day0.AddDate(0, 0, i), 1000
	}
	if u, ok := UseOf(parked); ok {
		t.Errorf("a parked engine reaches nothing: %+v", u)
	}
}
