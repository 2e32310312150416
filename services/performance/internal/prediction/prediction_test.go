package prediction

import (
	"math"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"coldsection.example/services/performance/internal/cycle"
	"coldsection.example/services/platform/fault"
)

var (
	dirt = Vector{10.4, 0.59, 0.85}
	fine = Vector{1, 0.1, 0.4}
)

// 2 units of dirt are 20.8 °C, 1.18 %, 1.7 %; the prior takes 70 % off: 1.4 units, −14.56 °C.
func TestAFirstWashRestsOnThePrior(t *testing.T) {
	r, err := Predict(Change{Vector{20.8, 1.18, 1.7}, fine}, dirt, nil)
	if err != nil || math.Abs(r.Dirt-2) > 1e-9 || math.Abs(r.Value[0]+14.56) > 1e-9 || math.Abs(r.Value[2]+1.19) > 1e-9 {
		t.Errorf("%+v, %v", r, err)
	}
	if r.Washes != 0 || !strings.Contains(r.Text, "prior only") || !(r.Half[0] > 0) {
		t.Errorf("%+v", r)
	}
}

// By hand: one wash took 1 of 2 units off, exactly known: its variance is 0.15² = 0.0225, the prior's 0.04, so the share is
// (0.7/0.04 + 0.5/0.0225) / (1/0.04 + 1/0.0225) = 0.572.
func TestWashesOfThePastAreLearnedFrom(t *testing.T) {
	share, _, used := Share([]Past{{Before: 2, Off: 1}})
	if used != 1 || math.Abs(share-0.572) > 1e-9 {
		t.Errorf("%v from %d", share, used)
	}
	many, sure, _ := Share([]Past{{Before: 2, Off: 1}, {Before: 3, Off: 1.5}, {Before: 2, Off: 1}, {Before: 2, Off: 1}, {Before: 4, Off: 2}})
	if _, unsure, _ := Share(nil); math.Abs(many-0.5) > 0.03 || sure >= unsure {
		t.Errorf("%v ± %v", many, sure)
	}
	for _, nothing := range []Past{{Before: 0.1, BeforeError: 0.2, Off: 5}, {Before: math.NaN()}, {Before: 2, Off: math.NaN()}, {Before: math.Inf(1)}} {
		if s, _, used := Share([]Past{nothing}); used != 0 || s != priorShare {
			t.Errorf("%+v is learned from: %v", nothing, s)
		}
	}
}

// A rise that is not dirt (hot section: ITT up, Ng down) promises less than the same rise in ITT as dirt.
func TestWhatIsNotDirtIsNotPromised(t *testing.T) {
	wear, err := Predict(Change{Vector{24.5, -0.89, 1.97}, fine}, dirt, nil)
	if err != nil {
		t.Fatal(err)
	}
	fouled, err := Predict(Change{Vector{24.5, 1.39, 2.0}, fine}, dirt, nil)
	if err != nil || !(wear.Value[0] > 0.7*fouled.Value[0]) {
		t.Errorf("wear %+v, dirt %+v, %v", wear.Value, fouled.Value, err)
	}
	clean, err := Predict(Change{Vector{-3, 0, 0}, fine}, dirt, nil)
	if err != nil || clean.Value[0] != 0 || !strings.Contains(clean.Text, "not expected to change much") {
		t.Errorf("%+v, %v", clean, err)
	}
}

// The engine model is washed: what is predicted from its dirt agrees with what the model gains when 70 % of it goes.
func TestThePredictionAgreesWithTheEngineModel(t *testing.T) {
	engine, err := cycle.New(cycle.Demonstration()[0])
	if err != nil {
		t.Fatal(err)
	}
	at := func(units float64) Vector {
		s, err := engine.Signature(cycle.Standard(0, 0, 0), cycle.Power(0.85*engine.DesignPower()), cycle.Health{CompressorFlow: -0.03 * units, CompressorEfficiency: -0.01 * units})
		if err != nil {
			t.Fatal(err)
		}
		return Vector{s.ITT, s.Ng, s.Fuel}
	}
	before, after := at(1.5), at(0.45)
	r, err := Predict(Change{before, fine}, at(1), nil)
	if err != nil {
		t.Fatal(err)
	}
	for i := range 3 {
		if want := after[i] - before[i]; math.Abs(r.Value[i]-want) > 0.12*math.Abs(want) {
			t.Errorf("%d: %+.3f, the engine model says %+.3f", i, r.Value[i], want)
		}
	}
}

// Units cancel: everything in °F gives the same dirt and the same share.
func TestUnitsDoNotMatter(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		number := rapid.Float64Range(-30, 30)
		c := Change{Vector{number.Draw(t, "ITT"), number.Draw(t, "Ng") / 10, number.Draw(t, "fuel") / 10}, fine}
		scaled, direction := c, dirt
		scaled.Value[0], scaled.Error[0], direction[0] = 1.8*c.Value[0], 1.8*c.Error[0], 1.8*dirt[0]
		a, e1, err1 := Amount(c, dirt)
		b, e2, err2 := Amount(scaled, direction)
		if err1 != nil || err2 != nil || math.Abs(a-b) > 1e-9 || math.Abs(e1-e2) > 1e-9 {
			t.Fatalf("%v and %v", a, b)
		}
	})
}

func TestWhatSaysNothingIsRefused(t *testing.T) {
	for reason, c := range map[string]struct {
		change    Change
		signature Vector
	}{
		"LEVEL_UNKNOWN":     {Change{Vector{math.NaN(), 0, 0}, fine}, dirt},
		"SIGNATURE_INVALID": {Change{Vector{1, 0, 0}, fine}, Vector{}},
	} {
		if r, err := Predict(c.change, c.signature, nil); !fault.HasReason(err, reason) {
			t.Errorf("%+v, %v, want %s", r, err, reason)
		}
	}
	if _, err := Predict(Change{Value: Vector{1, 0, 0}}, dirt, nil); !fault.HasReason(err, "LEVEL_UNKNOWN") {
		t.Errorf("without errors: %v", err)
	}
}

// By hand, with errors that count: a wash of 2 ± 0.5 units took 1 ± 0.25 off, so its share is 0.5 with the variance
// (0.25² + 0.5²·0.5²)/2² + 0.15² = 0.05375, and the prior's is 0.04. Together (0.7/0.04 + 0.5/0.05375)/(1/0.04 + 1/0.05375) = 0.6146667, and what
// the next wash does varies by √(1/43.60465 + 0.15²) = 0.2131510. Then 2 units with an error of 0.2 are 1.2293333 units less, with
// 1.6449·√((0.6146667·0.2)² + (2·0.2131510)²) = 0.7297981 either way.
func TestErrorsOfTheBasisWiden(t *testing.T) {
	past := []Past{{Before: 2, BeforeError: 0.5, Off: 1, OffError: 0.25}}
	share, spreads, used := Share(past)
	if used != 1 || math.Abs(share-0.6146667) > 1e-7 || math.Abs(spreads-0.2131510) > 1e-6 {
		t.Errorf("%.7f ± %.7f from %d", share, spreads, used)
	}
	one := Vector{10, 0, 0} // in units of which only ITT says anything
	r, err := Predict(Change{Vector{20, 0, 0}, Vector{2, 1, 1}}, one, past)
	if err != nil || math.Abs(r.Dirt-2) > 1e-9 || math.Abs(r.DirtError-0.2) > 1e-9 || math.Abs(r.Value[0]+12.293333) > 1e-5 || math.Abs(r.Half[0]-7.297981) > 1e-4 || r.Half[1] != 0 {
		t.Errorf("%+v, %v", r, err)
	}
	const want = "Since the last wash ITT changed by +20.0 °C, of which 2.00 ± 0.33 units are dirt; a wash takes 61 % off (± 35, from 1 wash of this engine): " +
		"ITT -12.3 °C, 90 % interval -19.6 to -5.0."
	if r.Text != want {
		t.Errorf("%q, want %q", r.Text, want)
	}
	two, err := Predict(Change{Vector{20, 0, 0}, Vector{2, 1, 1}}, one, append(past, past...))
	if err != nil || !strings.Contains(two.Text, "from 2 washes of this engine") {
		t.Errorf("%q, %v", two.Text, err)
	}
	for itt, certain := range map[float64]bool{3.2: false, 3.3: true} { // 1.6449 standard errors of 0.2 units are 3.29 °C
		r, err := Predict(Change{Vector{itt, 0, 0}, Vector{2, 1, 1}}, one, nil)
		if err != nil || strings.Contains(r.Text, "not certainly any") == certain {
			t.Errorf("%g °C: %q, %v", itt, r.Text, err)
		}
	}
	for _, wide := range []float64{1e6, math.Inf(1), math.NaN(), -1} {
		if _, _, err := Amount(Change{Vector{1, 0, 0}, Vector{1, wide, 1}}, one); !fault.HasReason(err, "LEVEL_UNKNOWN") {
			t.Errorf("an error of %g: %v", wide, err)
		}
	}
	for _, far := range []Vector{{1e6, 0, 0}, {0, -1e6, 0}} {
		if _, _, err := Amount(Change{far, Vector{1, 1, 1}}, one); !fault.HasReason(err, "LEVEL_UNKNOWN") {
			t.Errorf("a change of %v: %v", far, err)
		}
	}
	if _, _, used := Share([]Past{{Before: 1, BeforeError: 0.5, Off: 1}}); used != 0 {
		t.Error("a wash of dirt that was 2 errors above nothing is learned from")
	}
	for name, broken := range map[string]Past{"before": {Before: 2, BeforeError: -1, Off: 1}, "off": {Before: 2, Off: 1, OffError: -1}, "endless": {Before: 2, Off: 1, OffError: math.Inf(1)}} {
		if _, _, used := Share([]Past{broken}); used != 0 {
			t.Errorf("an error of what was %s that is none is learned from", name)
		}
	}
}
