package margin

import (
	"math"
	"math/rand/v2"
	"testing"

	"coldsection.example/services/performance/internal/baseline"
	"coldsection.example/services/performance/internal/cycle"
	"coldsection.example/services/platform/fault"
)

// rig is an invented engine with the baseline that is fitted to it. For demonstration only.
type rig struct {
	t      *testing.T
	engine *cycle.Engine
	model  *baseline.Model
}

func newRig(t *testing.T) rig {
	t.Helper()
	engine, err := cycle.New(cycle.Demonstration()[0])
	if err != nil {
		t.Fatal(err)
	}
	r := rig{t: t, engine: engine}
	var table []baseline.Point
	for _, altitude := range []float64{0, 1500, 3000} {
		for _, warmer := range []float64{-20, 0, 20} {
			for _, np := range []float64{1500, 1700, 1900} {
				for _, share := range []float64{0.5, 0.65, 0.8, 0.9, 1} {
					c := cycle.Standard(altitude, 0, warmer)
					c.PropellerSpeed = np
					table = append(table, r.point(c, cycle.Health{}, cycle.Power(share*engine.DesignPower())))
				}
			}
		}
	}
	if r.model, err = baseline.Fit(table, baseline.Ideal); err != nil {
		t.Fatal(err)
	}
	return r
}

func (r rig) point(c cycle.Condition, h cycle.Health, s cycle.Setting) baseline.Point {
	r.t.Helper()
	p, err := r.engine.Solve(c, h, s, cycle.Point{})
	if err != nil {
		r.t.Fatal(err)
	}
	return baseline.Point{Altitude: c.Altitude, OAT: c.OAT, Np: p.PropellerSpeed, Torque: p.Torque(), ITT: p.ITT, Ng: p.Ng, Fuel: p.Fuel}
}

// hot is a warm day at sea level, where margins are asked for.
func hot() cycle.Condition {
	c := cycle.Standard(0, 0, 20)
	c.PropellerSpeed = 1700
	return c
}

func (r rig) reference() Reference {
	return Reference{Point: r.point(hot(), cycle.Health{}, cycle.Power(0.95*r.engine.DesignPower())), ITT: 830, Ng: 110}
}

// dirty is a flow capacity of −3 % and an efficiency of −1 %.
var dirty = cycle.Health{CompressorFlow: -0.03, CompressorEfficiency: -0.01}

// A dirty engine is read on cold days; its margin on a hot day is what the engine model itself says of that day.
func TestMarginsAgreeWithTheEngineModel(t *testing.T) {
	r := newRig(t)
	check := Check{MinShare: 0.7}
	for range 10 {
		cold := cycle.Standard(0, 0, -15)
		cold.PropellerSpeed = 1700
		check.Readings = append(check.Readings, r.point(cold, dirty, cycle.Power(0.85*r.engine.DesignPower())))
	}
	check.Noise.ITT, check.Noise.Ng = 2, 0.1
	ref := r.reference()
	s, outcome, err := check.Run(r.model, ref)
	if err != nil {
		t.Fatal(err)
	}
	truth := r.point(hot(), dirty, cycle.Power(0.95*r.engine.DesignPower()))
	if math.Abs(s.ITT.Predicted-truth.ITT) > 2 || math.Abs(s.Ng.Predicted-truth.Ng) > 0.3 {
		t.Errorf("predicted %.2f °C and %.2f %%, the engine model says %.2f and %.2f", s.ITT.Predicted, s.Ng.Predicted, truth.ITT, truth.Ng)
	}
	if outcome.Verdict == CannotTell || len(outcome.Reasons) != 2 {
		t.Errorf("%+v", outcome)
	}
	ref.ITT = truth.ITT - 20 // a limit that is met inside the baseline
	if s, _, err = check.Run(r.model, ref); err != nil {
		t.Fatal(err)
	}
	atLimit := r.point(hot(), dirty, cycle.ITT(ref.ITT))
	if s.AtLeast || math.Abs(s.Torque-atLimit.Torque) > 0.01*atLimit.Torque {
		t.Errorf("torque at the limit %.0f N·m, the engine model says %.0f", s.Torque, atLimit.Torque)
	}
}

// A clean 700 °C at a limit of 800 °C, by a polynomial made so: deviations and intervals by hand.
func TestVerdictsByHand(t *testing.T) {
	model, err := baseline.Of(baseline.Polynomial{
		Power: 300, Np: 1700, Low: 100, High: 400,
		Terms: []baseline.Term{{Name: "1", Coefficients: baseline.Values{ITT: 573.15, Ng: 90, Fuel: 100}}, {Name: "x", Coefficients: baseline.Values{ITT: 400}}},
	}, baseline.Ideal)
	if err != nil {
		t.Fatal(err)
	}
	torque := 300e3 / (2 * math.Pi * 1700 / 60) // 300 kW: 973.15 K
	ref := Reference{Point: baseline.Point{OAT: 15, Np: 1700, Torque: torque}, ITT: 800, Ng: 100, Reserve: 10}
	for _, c := range []struct {
		name    string
		itt, ng Deviation
		want    Verdict
		more    int
	}{
		{"90 °C left, 5 wide", Deviation{10, 5}, Deviation{0, 0.1}, Pass, 0},
		{"the interval from 5 to 15 °C", Deviation{90, 5}, Deviation{0, 0.1}, CannotTell, 1e6 - 4}, // the gap is 0
		{"3 °C too much, 5 wide", Deviation{93, 5}, Deviation{0, 0.1}, CannotTell, 12 - 4},         // 4·25/9 = 11.1
		{"nothing left", Deviation{99, 5}, Deviation{0, 0.1}, Fail, 0},
		{"Ng beyond its limit", Deviation{10, 5}, Deviation{11, 0.1}, Fail, 0},
		{"Ng may be beyond", Deviation{10, 5}, Deviation{10, 0.1}, CannotTell, 1e6 - 4},
	} {
		s, err := At(model, ref, State{ITT: c.itt, Ng: c.ng, Readings: 4})
		if err != nil {
			t.Fatal(err)
		}
		out := s.Judge(ref.Reserve)
		if c.itt.Value == 90 || c.ng.Value == 10 { // a gap of nothing: rounding decides between "never" and "very many"
			if out.Verdict != CannotTell || out.More != 0 && out.More < 1e5 {
				t.Errorf("%s: %+v", c.name, out)
			}
			continue
		}
		if out.Verdict != c.want || out.More != c.more {
			t.Errorf("%s: %+v, want %v and %d more", c.name, out, c.want, c.more)
		}
		if math.Abs(s.ITT.Value-(100-c.itt.Value)) > 1e-9 {
			t.Errorf("%s: margin %.3f", c.name, s.ITT.Value)
		}
	}
	s, err := At(model, ref, State{ITT: Deviation{20, 1}, Readings: 9})
	if err != nil {
		t.Fatal(err)
	}
	// 573.15 + 400·P/300 + 20 = 1073.15 K: P = 360 kW.
	if want := torque * 1.2; s.AtLeast || math.Abs(s.Torque-want) > 1e-4*want {
		t.Errorf("torque at the limit %.2f, want %.2f", s.Torque, want)
	}
	ref.ITT = 1200
	if s, err = At(model, ref, State{ITT: Deviation{0, 1}, Readings: 9}); err != nil || !s.AtLeast || math.Abs(s.Torque-torque*4/3) > 1 {
		t.Errorf("the baseline ends at 400 kW: %+v, %v", s, err)
	}
}

func TestChecksThatSayNothing(t *testing.T) {
	r := newRig(t)
	ref := r.reference()
	good := r.point(hot(), cycle.Health{}, cycle.Power(0.9*r.engine.DesignPower()))
	low := r.point(hot(), cycle.Health{}, cycle.Power(0.6*r.engine.DesignPower()))
	for name, c := range map[string]Check{
		"bleed":     {Readings: []baseline.Point{good}, Bleed: true, MinShare: 0.7},
		"low power": {Readings: []baseline.Point{good, low}, MinShare: 0.7},
	} {
		if s, out, err := c.Run(r.model, ref); err != nil || s != nil || out.Verdict != CannotTell || len(out.Reasons) != 1 {
			t.Errorf("%s: %+v %+v %v", name, s, out, err)
		}
	}
}

func TestMarginsThatAreRefused(t *testing.T) {
	r := newRig(t)
	point := r.reference().Point
	change := func(fn func(*Reference)) Reference {
		ref := Reference{Point: point, ITT: 830}
		fn(&ref)
		return ref
	}
	good := State{ITT: Deviation{5, 1}, Readings: 15}
	for _, c := range []struct {
		reason string
		ref    Reference
		state  State
	}{
		{"LIMIT_MISSING", change(func(r *Reference) { r.ITT = 0 }), good},
		{"REFERENCE_MISSING", change(func(r *Reference) { r.Point.Torque = 0 }), good},
		{"REFERENCE_MISSING", change(func(r *Reference) { r.Point.Np = math.NaN() }), good},
		{"REFERENCE_OUTSIDE_BASELINE", change(func(r *Reference) { r.Point.Torque *= 3 }), good},
		{"REFERENCE_OUTSIDE_BASELINE", change(func(r *Reference) { r.Point.OAT = 50 }), good},
		{"REFERENCE_OUTSIDE_BASELINE", change(func(r *Reference) { r.Point.OAT = -273.15 }), good},
		{"LEVEL_UNKNOWN", change(func(*Reference) {}), State{}},
		{"LEVEL_UNKNOWN", change(func(*Reference) {}), State{ITT: Deviation{5, math.Inf(1)}, Readings: 3}},
		{"LEVEL_UNKNOWN", change(func(*Reference) {}), State{ITT: Deviation{math.NaN(), 1}, Readings: 3}},
	} {
		if s, err := At(r.model, c.ref, c.state); !fault.HasReason(err, c.reason) {
			t.Errorf("%+v: %v, want %s", s, err, c.reason)
		}
	}
	if _, _, err := (&Check{}).Run(r.model, change(func(*Reference) {})); !fault.HasReason(err, "CHECK_INVALID") {
		t.Errorf("a check without a reading: %v", err)
	}
	spoilt := point
	spoilt.OAT = math.Inf(1)
	if _, _, err := (&Check{Readings: []baseline.Point{spoilt}}).Run(r.model, change(func(*Reference) {})); !fault.HasReason(err, "CHECK_INVALID") {
		t.Errorf("a check at an infinite temperature: %v", err)
	}
}

// Of many checks of an engine that is 20 °C off, the 90 % interval holds the truth in about 90 %.
func TestTheIntervalOfACheckCoversTheTruth(t *testing.T) {
	r := newRig(t)
	rng := rand.New(rand.NewPCG(1, 2))
	clean := r.point(hot(), cycle.Health{}, cycle.Power(0.9*r.engine.DesignPower()))
	ref, covered := r.reference(), 0
	x, err := r.model.Expect(ref.Point)
	if err != nil {
		t.Fatal(err)
	}
	const runs = 2000
	for range runs {
		c := Check{MinShare: 0.7}
		for range 6 {
			p := clean
			p.ITT += 20 + 3*rng.NormFloat64()
			c.Readings = append(c.Readings, p)
		}
		s, _, err := c.Run(r.model, ref)
		if err != nil {
			t.Fatal(err)
		}
		if truth := 830 - x.Expected.ITT - 20; s.ITT.Lower() <= truth && truth <= s.ITT.Upper() {
			covered++
		}
	}
	if share := float64(covered) / runs; share < 0.87 || share > 0.96 {
		t.Errorf("covered in %.3f", share)
	}
}
