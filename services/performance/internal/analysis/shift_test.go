package analysis_test

import (
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
	"time"

	"coldsection.example/services/performance/internal/analysis"
	"coldsection.example/services/performance/internal/baseline"
)

// Signatures of the demonstration engine at constant corrected power, from the handbook's table: ITT [°C], Ng [%], fuel [%].
var (
	fouling = baseline.Values{ITT: 10.4, Ng: 0.59, Fuel: 0.85}
	leak    = baseline.Values{ITT: 8.9, Ng: 0.02, Fuel: 1.11}
	hot     = baseline.Values{ITT: 24.5, Ng: -0.89, Fuel: 1.97}
	torque  = baseline.Values{ITT: -3.9, Ng: -0.35, Fuel: -1.36}
	probe   = baseline.Values{ITT: 10}
)

const (
	onset = 215 // day, two weeks after a wash
	life  = 400 // days
)

// live makes daily readings of an engine that fouls, is washed every 100 days and has a fault whose size depends on the day.
func live(seed uint64, days int, dirt float64, fault baseline.Values, size func(day int) float64) []analysis.Reading {
	random := rand.New(rand.NewPCG(seed, 11))
	var out []analysis.Reading
	for day := range days {
		p := clean(1000+random.Float64()*2500, -10+random.Float64()*40, 1000+random.Float64()*1000)
		dirty, much := dirt*(1-math.Exp(-float64(day%100)/60)), size(day)
		p.ITT += dirty*fouling.ITT + much*fault.ITT + 3*random.NormFloat64()
		p.Ng += dirty*fouling.Ng + much*fault.Ng + 0.17*random.NormFloat64()
		p.Fuel *= 1 + (dirty*fouling.Fuel+much*fault.Fuel+0.8*random.NormFloat64())/100
		out = append(out, analysis.Reading{ID: time.Duration(day).String(), At: start.AddDate(0, 0, day), Hours: 1000 + 3*float64(day), Point: p})
	}
	return out
}

func washes(days int) []analysis.Event {
	var out []analysis.Event
	for day := 100; day < days; day += 100 {
		out = append(out, wash(day)...)
	}
	return out
}

func none(int) float64 { return 0 }

func step(of float64) func(int) float64 {
	return func(day int) float64 {
		if day < onset {
			return 0
		}
		return of
	}
}

func slow(perDay float64) func(int) float64 {
	return func(day int) float64 { return perDay * float64(max(0, day-onset)) }
}

// 40 engines of 540 days that foul by up to 20 °C and are washed: at the stated 2,700 days between false findings, 8.
func TestDirtAndWashesAreNoShift(t *testing.T) {
	m := model(t)
	found := 0
	for seed := range uint64(40) {
		r := analysis.Analyse(m, live(seed, 540, 2*float64(seed%5)/4, fouling, none), washes(540), analysis.Rules{})
		for _, s := range r.Shifts {
			if !s.Dirt {
				found++
			}
		}
	}
	if found > 8 {
		t.Errorf("%d shifts on 40 engines without a fault", found)
	}
}

func TestFaultsAreFlaggedInTimeAndNotNamedWrongly(t *testing.T) {
	m := model(t)
	const engines = 12
	for _, c := range []struct {
		cause  string
		fault  baseline.Values
		size   func(int) float64
		within int // days: the goals for a step and for a slow rise
		same   []string
	}{
		{"bleed_leak", leak, step(1.3), 45, nil},
		{"itt_indication", probe, step(-1.2), 45, nil},
		{"torque_indication", torque, step(-1.4), 45, []string{"power_turbine"}},
		{"hot_section", hot, slow(0.008), 120, nil},
	} {
		late, wrong := 0, 0
		for seed := range uint64(engines) {
			r := analysis.Analyse(m, live(100+seed, life, 0.5, c.fault, c.size), washes(life), analysis.Rules{})
			day := life
			for _, s := range r.Shifts {
				if d := int(s.DetectedAt.Sub(start).Hours() / 24); d >= onset {
					day = d
					if s.Named && s.Causes[0].Name != c.cause && !slices.Contains(c.same, s.Causes[0].Name) {
						wrong++
					}
					break
				}
			}
			if day-onset > c.within {
				late++
			}
		}
		if late > 1 || wrong > 0 {
			t.Errorf("%s: %d of %d flagged too late, %d named wrongly", c.cause, late, engines, wrong)
		}
	}
}

// A probe that reads 20 °C low can be nothing else: with that much evidence the cause is named.
func TestAPlainCauseIsNamed(t *testing.T) {
	r := analysis.Analyse(model(t), live(7, life, 0.3, probe, step(-2)), washes(life), analysis.Rules{})
	if len(r.Shifts) == 0 || !r.Shifts[0].Named || r.Shifts[0].Causes[0].Name != "itt_indication" || r.Shifts[0].Gradual {
		t.Fatalf("%+v", r.Shifts)
	}
	if off := r.Shifts[0].Onset.Sub(start.AddDate(0, 0, onset)).Hours() / 24; math.Abs(off) > 5 {
		t.Errorf("the onset is %.0f days off", off)
	}
	first := r.Shifts[0].Causes[0]
	if len(first.Against) != 0 || !strings.Contains(strings.Join(first.For, " "), "It came at once") || !strings.Contains(strings.Join(first.For, " "), "ITT moved by -") {
		t.Errorf("for it %q, against it %q", first.For, first.Against)
	}
	sum := 0.0
	for _, c := range r.Shifts[0].Causes {
		if c.Name == "hot_section" && (len(c.For) != 0 || !slices.Contains(c.Against, "It goes the other way than this cause can.")) {
			t.Errorf("a hot section: for it %q, against it %q", c.For, c.Against)
		}
		sum += c.Probability
	}
	if math.Abs(sum-1) > 1e-9 {
		t.Errorf("probabilities sum to %v", sum)
	}
}

// What is found at a time rests on readings up to that time only.
func TestShiftsDoNotLookAhead(t *testing.T) {
	m := model(t)
	all := live(9, life, 0.5, leak, step(1.5))
	whole := analysis.Analyse(m, all, washes(life), analysis.Rules{}).Shifts
	if len(whole) == 0 {
		t.Fatal("nothing was found")
	}
	for _, s := range whole {
		n := int(s.DetectedAt.Sub(start).Hours()/24) + 1
		before := analysis.Analyse(m, all[:n], washes(n), analysis.Rules{}).Shifts
		if len(before) == 0 || before[len(before)-1].DetectedAt != s.DetectedAt || before[len(before)-1].Steps[0].Causes[0].Probability != s.Steps[0].Causes[0].Probability {
			t.Errorf("on %v: %+v", s.DetectedAt, before)
		}
	}
}

// A torque indication that is a little off moves the engine nearly as dirt does that came or went at once: of 60 that are wrong by
// 1.6 %, two weeks after a wash, nearly all are found within 45 days (58 here). Contrasts of two windows alone found 42; a joint look
// whose step was then held against all dirt a second time found 45.
func TestSmallFaultsOfTheTorqueIndicationAreFound(t *testing.T) {
	m := model(t)
	found := 0
	for _, size := range []float64{-0.8, 0.8} {
		for seed := range uint64(30) {
			r := analysis.Analyse(m, live(200+seed, onset+46, 0.3, torque, step(size)), washes(life), analysis.Rules{})
			if slices.ContainsFunc(r.Shifts, func(s analysis.Shift) bool { return !s.DetectedAt.Before(start.AddDate(0, 0, onset)) }) {
				found++
			}
		}
	}
	if found < 54 {
		t.Errorf("%d of 60 found", found)
	}
}

// An engine that gets dirty six times as fast as usual, and in line with dirt's signature, is told of as dirty and not as changed. With
// contrasts alone, which know the usual pace, 51 steps were told on these 40 engines; what is allowed is the stated rate.
func TestFastDirtIsNoStep(t *testing.T) {
	m := model(t)
	found := 0
	fast := func(day int) float64 { return 0.03 * float64(day%100) }
	for seed := range uint64(40) {
		for _, s := range analysis.Analyse(m, live(300+seed, 500, 0, fouling, fast), washes(500), analysis.Rules{}).Shifts {
			if !s.Dirt && !s.Gradual {
				found++
			}
		}
	}
	if found > 40*500/2700 {
		t.Errorf("%d steps on 40 engines that only get dirty", found)
	}
}

// A hot section that wears for half a year is told of when it is found and after each wash that did not end it, not more often.
func TestARiseIsToldAgainAfterAWash(t *testing.T) {
	again := 0
	for seed := range uint64(10) {
		r := analysis.Analyse(model(t), live(500+seed, life, 0.3, hot, slow(0.008)), washes(life), analysis.Rules{})
		var told []time.Time
		for _, s := range r.Shifts {
			if !s.Dirt && s.Gradual && !s.DetectedAt.Before(start.AddDate(0, 0, onset)) {
				told = append(told, s.DetectedAt)
			}
		}
		if len(told) == 0 || len(told) > 2 {
			t.Errorf("engine %d: told on %v", seed, told)
			continue
		}
		if told[0].Before(start.AddDate(0, 0, 300)) && told[len(told)-1].After(start.AddDate(0, 0, 300)) {
			again++
		}
	}
	if again < 8 {
		t.Errorf("of 10 engines %d are told of before and after the wash", again)
	}
}
