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
