package baseline

import (
	"math"
	"testing"
)

var simple = Polynomial{Power: 500, Np: 1700, Low: 100, High: 600, Terms: []Term{{"1", Values{700, 80, 60}}, {"x", Values{200, 15, 150}}}}

// At 1,700 rpm, sea level, 15 °C and 500 kW every letter but x is 0 and x is 1: 900 K, 95 % and 210 kg/h by hand.
func TestAPolynomialIsWhatItSays(t *testing.T) {
	m, err := Of(simple, Ideal)
	if err != nil {
		t.Fatal(err)
	}
	torque := 500e3 / (2 * math.Pi * 1700 / 60)
	x, err := m.Expect(Point{OAT: 15, Np: 1700, Torque: torque, Fuel: 1})
	if err != nil || math.Abs(x.Expected.ITT-(900-273.15)) > 1e-9 || math.Abs(x.Expected.Ng-95) > 1e-9 || math.Abs(x.Expected.Fuel-210) > 1e-9 {
		t.Errorf("%+v, %v", x.Expected, err)
	}
	written := m.Polynomial()
	again, err := Of(written, Ideal)
	if err != nil || again.Polynomial().Terms[1] != simple.Terms[1] || written.Low != 100 {
		t.Errorf("%+v, %v", written, err)
	}
}

func TestPolynomialsThatMakeNoSense(t *testing.T) {
	change := func(fn func(*Polynomial)) Polynomial {
		p := simple
		p.Terms = append([]Term{}, simple.Terms...)
		fn(&p)
		return p
	}
	for name, p := range map[string]Polynomial{
		"no power":      change(func(p *Polynomial) { p.Power = 0 }),
		"no range":      change(func(p *Polynomial) { p.High = 50 }),
		"infinite":      change(func(p *Polynomial) { p.High = math.Inf(1) }),
		"no such term":  change(func(p *Polynomial) { p.Terms = append(p.Terms, Term{Name: "x^9"}) }),
		"a term twice":  change(func(p *Polynomial) { p.Terms = append(p.Terms, p.Terms[1]) }),
		"not a number":  change(func(p *Polynomial) { p.Terms[0].Coefficients.Ng = math.NaN() }),
		"only one term": change(func(p *Polynomial) { p.Terms = p.Terms[:1] }),
		"no terms":      change(func(p *Polynomial) { p.Terms = nil }),
	} {
		if _, err := Of(p, Ideal); err == nil {
			t.Errorf("%s is taken", name)
		}
	}
}
