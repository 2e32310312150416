package margin

import (
	"math"
	"testing"
	"time"

	"coldsection.example/services/performance/internal/baseline"
)

func finite(values ...float64) bool {
	for _, v := range values {
		if math.IsNaN(v) || math.IsInf(v, 0) {
			return false
		}
	}
	return true
}

// Whatever goes in: a forecast says a finite range in order, or why there is none; a margin is finite or refused.
func FuzzNothingInfiniteComesOut(f *testing.F) {
	model, err := baseline.Of(baseline.Polynomial{
		Power: 300, Np: 1700, Low: 100, High: 400,
		Terms: []baseline.Term{{Name: "1", Coefficients: baseline.Values{ITT: 573.15, Ng: 90, Fuel: 100}}, {Name: "x", Coefficients: baseline.Values{ITT: 400}}},
	}, baseline.Ideal)
	if err != nil {
		f.Fatal(err)
	}
	f.Add(1000.0, 3.0, 0.1, 20.0, 800.0, 15.0, 1685.0)
	f.Add(0.0, 0.0, 0.0, 0.0, 0.0, -273.15, 0.0)
	f.Add(math.NaN(), math.Inf(1), math.Inf(-1), math.NaN(), math.MaxFloat64, math.Inf(1), math.NaN())
	f.Add(1e300, 1e-300, 1e300, 1e-300, 1e300, 35.0, 1e300)
	f.Fuzz(func(t *testing.T, hours, every, rise, limit, itt, oat, torque float64) {
		var samples []Sample
		for i := range 12 {
			samples = append(samples, Sample{At: day0.Add(time.Duration(i) * time.Hour), Hours: hours + every*float64(i), ITT: rise*float64(i) + float64(i%3)})
		}
		c := Forecast(samples, limit)
		if !finite(c.P10, c.P50, c.P90, c.Slope.Estimate, c.Slope.Low, c.Slope.High, c.Memory) || c.Reason == "" || c.P10 > c.P50 || c.P50 > c.P90 {
			t.Fatalf("%+v", c)
		}
		if u, ok := UseOf(samples); ok {
			early, _, late := c.Dates(day0, u)
			if early.After(late) {
				t.Fatalf("%v after %v", early, late)
			}
		}
		s, err := At(model, Reference{Point: baseline.Point{OAT: oat, Np: 1700, Torque: torque}, ITT: itt, Ng: 100}, State{ITT: Deviation{rise, every}, Ng: Deviation{0, 1}, Readings: 5})
		if err != nil {
			return
		}
		out := s.Judge(0)
		if !finite(s.ITT.Value, s.ITT.Half, s.Ng.Value, s.Torque) || len(out.Reasons) == 0 || out.More < 0 {
			t.Fatalf("%+v %+v", s, out)
		}
	})
}
