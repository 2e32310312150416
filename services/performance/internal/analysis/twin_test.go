package analysis_test

import (
	"math"
	"math/rand/v2"
	"strings"
	"testing"
	"time"

	"coldsection.example/services/performance/internal/analysis"
	"coldsection.example/services/performance/internal/baseline"
)

var changed = time.Date(2026, time.March, 1, 0, 0, 0, 0, time.UTC)

// flights are pairs about an changed, one a day; each engine changes by so much there, scatter has a memory of a third.
func flights(random *rand.Rand, count int, own, twin baseline.Values) []analysis.Pair {
	var pairs []analysis.Pair
	var last [6]float64
	for i := -count; i < count; i++ {
		for j, sd := range [6]float64{2.2, 0.1, 0.7, 2.2, 0.1, 0.7} {
			last[j] = 0.33*last[j] + 0.944*sd*random.NormFloat64()
		}
		p := analysis.Pair{At: changed.AddDate(0, 0, i), Own: baseline.Values{ITT: last[0], Ng: last[1], Fuel: last[2]}, Twin: baseline.Values{ITT: last[3], Ng: last[4], Fuel: last[5]}}
		if i >= 0 {
			p.Own.ITT, p.Own.Ng, p.Own.Fuel = p.Own.ITT+own.ITT, p.Own.Ng+own.Ng, p.Own.Fuel+own.Fuel
			p.Twin.ITT, p.Twin.Ng, p.Twin.Fuel = p.Twin.ITT+twin.ITT, p.Twin.Ng+twin.Ng, p.Twin.Fuel+twin.Fuel
		}
		pairs = append(pairs, p)
	}
	return pairs
}

// Values of an air temperature that reads 4 °C low at ideal similarity and 1,000 K: 1000/288·4 = 14 °C, half of 1.4 % of 90 %
// of Ng, half of 1.4 % of fuel flow; and of dirt, a few per cent of flow.
var (
	lowOAT = baseline.Values{ITT: 13.9, Ng: 0.62, Fuel: 0.7}
	dirty  = baseline.Values{ITT: 10.4, Ng: 0.585, Fuel: 0.85}
)

// Of 200 simulated aircraft each: a shared fault is never taken for one engine's, one engine's dirt never for a shared fault,
// and most are told.
func TestTheTwinTellsSharedFaultsFromDirt(t *testing.T) {
	random := rand.New(rand.NewPCG(3, 4))
	for name, c := range map[string]struct {
		own, twin    baseline.Values
		right, wrong analysis.TwinVerdict
	}{
		"a shared air temperature": {lowOAT, lowOAT, analysis.Shared, analysis.Alone},
		"dirt on one":              {dirty, baseline.Values{}, analysis.Alone, analysis.Shared},
	} {
		right := 0
		for range 200 {
			twin, ok := analysis.CompareTwin("engines/two", flights(random, 15, c.own, c.twin), changed, analysis.Rules{})
			if !ok {
				t.Fatal("fifteen flights were too few")
			}
			if twin.Verdict == c.wrong {
				t.Errorf("%s: %s", name, twin.Words())
			}
			if twin.Verdict == c.right {
				right++
			}
		}
		if right < 180 {
			t.Errorf("%s: told in %d of 200", name, right)
		}
	}
}

func newShift(gradual bool) analysis.Shift {
	causes := []analysis.Cause{{Name: "inlet", Probability: 0.6}, {Name: "fouling", Probability: 0.3}, {Name: "bleed_leak", Probability: 0.1}}
	return analysis.Shift{Onset: changed, Gradual: gradual, Causes: causes, Steps: []analysis.Step{{At: changed, Causes: causes}}}
}

func TestASharedStepIsAnIndicationOfTheAir(t *testing.T) {
	twin, ok := analysis.CompareTwin("engines/two", flights(rand.New(rand.NewPCG(1, 2)), 20, lowOAT, lowOAT), changed, analysis.Rules{})
	if !ok || twin.Verdict != analysis.Shared {
		t.Fatalf("%+v", twin)
	}
	s := newShift(false)
	got := twin.Weigh(s)
	if !got.Named || got.Causes[0].Name != analysis.AirData || len(got.Causes[0].For) != 1 || len(got.Causes[1].Against) != 1 || len(got.Steps) != 2 {
		t.Errorf("%+v", got)
	}
	if s.Causes[0].Name != "inlet" || len(s.Causes) != 3 || len(s.Steps) != 1 {
		t.Errorf("the shift itself changed: %+v", s)
	}
	// Slowly, both gather dirt from the same air: that is not ruled out.
	if slow := twin.Weigh(newShift(true)); slow.Named || slow.Causes[0].Name != "fouling" && slow.Causes[1].Name != "fouling" {
		t.Errorf("%+v", slow.Causes)
	}
}

func TestAChangeOfOneEngineStaysThatEngines(t *testing.T) {
	twin, _ := analysis.CompareTwin("engines/two", flights(rand.New(rand.NewPCG(1, 2)), 20, dirty, baseline.Values{}), changed, analysis.Rules{})
	got := twin.Weigh(newShift(false))
	if got.Causes[0].Name != "inlet" || got.Causes[0].Probability < 0.59 || len(got.Causes[0].For) != 1 || !strings.Contains(got.Causes[0].For[0], "engines/two") {
		t.Errorf("%+v", got)
	}
	if last := got.Causes[len(got.Causes)-1]; last.Name != analysis.AirData || last.Probability > 0.01 || len(last.Against) != 1 {
		t.Errorf("%+v", last)
	}
}

// Both changed, differently: nothing is said.
func TestATwinThatChangedOtherwiseTellsNothing(t *testing.T) {
	twin, _ := analysis.CompareTwin("engines/two", flights(rand.New(rand.NewPCG(1, 2)), 20, dirty, baseline.Values{ITT: -20}), changed, analysis.Rules{})
	if got := twin.Weigh(newShift(false)); twin.Verdict != analysis.TwinCannotTell || len(got.Causes) != 3 || len(got.Steps) != 1 {
		t.Errorf("%+v %+v", twin, got)
	}
	if _, ok := analysis.CompareTwin("engines/two", flights(rand.New(rand.NewPCG(1, 2)), 7, dirty, dirty), changed, analysis.Rules{}); ok {
		t.Error("seven flights were enough")
	}
}

// Both engines' ITT rose alike and nothing else moved. On an engine whose model says that dirt comes as heat almost alone, the other
// one's rise may be its usual dirt, so that nothing is certain; by the demonstration's scales both changed.
func TestTheOtherEnginesDirtIsThatOfTheModel(t *testing.T) {
	weigh := func(rules analysis.Rules) analysis.TwinVerdict {
		rise := baseline.Values{ITT: 5}
		twin, ok := analysis.CompareTwin("engines/two", flights(rand.New(rand.NewPCG(1, 2)), 20, rise, rise), changed, rules)
		if !ok {
			t.Fatal("no pairs")
		}
		return twin.Verdict
	}
	own := analysis.Rules{Signatures: map[string]baseline.Values{"fouling": {ITT: 40, Ng: 0.1, Fuel: 0.2}}}
	if demonstration, model := weigh(analysis.Rules{}), weigh(own); demonstration != analysis.Shared || model != analysis.TwinCannotTell {
		t.Errorf("with the demonstration's dirt %v, with the model's %v", demonstration, model)
	}
}

// Ten flights on each side, on which both engines' ITT rose alike, are certain beside the noise that is usual, and nothing beside that of
// an engine model whose readings scatter five times as much. What can be no noise is not taken.
func TestTheNoiseOfPairsIsThatOfTheModel(t *testing.T) {
	rise := baseline.Values{ITT: 9}
	weigh := func(rules analysis.Rules) analysis.TwinVerdict {
		twin, ok := analysis.CompareTwin("engines/two", flights(rand.New(rand.NewPCG(1, 2)), 10, rise, rise), changed, rules)
		if !ok {
			t.Fatal("no pairs")
		}
		return twin.Verdict
	}
	for name, c := range map[string]struct {
		rules analysis.Rules
		want  analysis.TwinVerdict
	}{
		"usual":        {analysis.Rules{}, analysis.Shared},
		"the model's":  {analysis.Rules{NoiseITT: 20, NoiseNg: 0.75, NoiseFuel: 5}, analysis.TwinCannotTell},
		"no noise":     {analysis.Rules{NoiseITT: math.NaN(), NoiseNg: math.Inf(1), NoiseFuel: -1}, analysis.Shared},
		"none at all":  {analysis.Rules{NoiseITT: 1e-300, NoiseNg: 1e-300, NoiseFuel: 1e-300}, analysis.Shared},
		"beyond sense": {analysis.Rules{NoiseITT: 1e300}, analysis.Shared},
	} {
		if got := weigh(c.rules); got != c.want {
			t.Errorf("%s: %v, want %v", name, got, c.want)
		}
	}
}
