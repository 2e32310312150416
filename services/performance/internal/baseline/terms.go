package baseline

import (
	"fmt"
	"math"
	"slices"

	"coldsection.example/services/performance/internal/atmosphere"
)

// powers of the regressors, by place.
const (
	one = iota
	x1
	x2
	x3
	m1
	m2
	n1
	n2
	n3
	h1
	h2
	t1
	t2
	_
	_
	_
	powerCount // a power of two, so that no index of one needs to be checked
)

// powers are those of x, m, n, h and t.
func powers(x, m, n, h, t float64) [powerCount]float64 {
	return [powerCount]float64{1, x, x * x, x * x * x, m, m * m, n, n * n, n * n * n, h, h * h, t, t * t, 0, 0, 0}
}

// term is a product of two powers.
type term struct {
	name          string
	first, second uint8
}

// terms are those of the polynomial: x is referred power and n propeller speed relative to their scales (n less 1), m the Mach
// number, h pressure altitude in 10 km, t theta less 1. The first determine the corrected engine, the rest what they leave.
var terms = [...]term{
	{"1", one, one},
	{"x", x1, one},
	{"x^2", x2, one},
	{"x^3", x3, one},
	{"m", m1, one},
	{"m^2", m2, one},
	{"x*m", x1, m1},
	{"n", n1, one},
	{"x*n", x1, n1},
	{"h", h1, one},
	{"x*h", x1, h1},
	{"n^2", n2, one},
	{"x^2*n", x2, n1},
	{"x*n^2", x1, n2},
	{"n^3", n3, one},
	{"t", t1, one},
	{"x*t", x1, t1},
	{"n*t", n1, t1},
	{"h^2", h2, one},
	{"t^2", t2, one},
}

// altitudeScale is what pressure altitude is divided by [m].
const altitudeScale = 10000

// Term is one term with its coefficients: referred ITT [K], Ng [%], fuel flow [kg/h].
type Term struct {
	Name         string
	Coefficients Values
}

// Polynomial is a baseline written out.
type Polynomial struct {
	Power, Np float64 // what referred power [kW] and propeller speed [rpm] are divided by
	Low, High float64 // referred power [kW] between which it holds
	Cold, Hot float64 // theta between which it holds; both 0 when not known
	Error     Values  // one standard deviation of what it says [°C, %, %]; 0 when not known
	Terms     []Term
}

// Polynomial writes the model out, so that a person can redo an expectation.
func (m *Model) Polynomial() Polynomial {
	p := Polynomial{Power: m.power, Np: m.np, Low: m.low, High: m.high, Cold: m.cold, Hot: m.hot, Error: m.Residual}
	for i, c := range m.coefficients {
		p.Terms = append(p.Terms, Term{terms[i].name, c})
	}
	return p
}

// Of makes a model of a polynomial that was entered or learned; its Error is the model's Residual.
func Of(p Polynomial, e Exponents) (*Model, error) {
	if !(p.Power > 0 && p.Np > 0 && p.Low >= 0 && p.High > p.Low && !math.IsInf(p.Power+p.Np+p.High, 0)) {
		return nil, fmt.Errorf("the scales %g kW and %g rpm or the range %g to %g kW make no sense", p.Power, p.Np, p.Low, p.High)
	}
	if !(p.Cold >= 0 && p.Hot >= p.Cold && p.Hot < 10 && (p.Cold > 0 || p.Hot == 0)) {
		return nil, fmt.Errorf("the range of theta from %g to %g makes no sense", p.Cold, p.Hot)
	}
	if !(p.Error.ITT >= 0 && p.Error.Ng >= 0 && p.Error.Fuel >= 0 && p.Error.ITT+p.Error.Ng+p.Error.Fuel < 1e3) {
		return nil, fmt.Errorf("the standard deviations %g °C, %g %% and %g %% make no sense", p.Error.ITT, p.Error.Ng, p.Error.Fuel)
	}
	m := &Model{
		exponents: e, power: p.Power, np: p.Np, low: p.Low, high: p.High, cold: p.Cold, hot: p.Hot, Residual: p.Error,
		coefficients: make([]Values, len(terms)),
	}
	seen := map[string]bool{}
	for _, t := range p.Terms {
		i := slices.IndexFunc(terms[:], func(k term) bool { return k.name == t.Name })
		if i < 0 || seen[t.Name] {
			return nil, fmt.Errorf("the term %q is not known or stands twice", t.Name)
		}
		if sum := t.Coefficients.ITT + t.Coefficients.Ng + t.Coefficients.Fuel; math.IsNaN(sum) || math.IsInf(sum, 0) {
			return nil, fmt.Errorf("the term %q has a coefficient that is no number", t.Name)
		}
		seen[t.Name] = true
		m.coefficients[i] = t.Coefficients
	}
	if !seen["1"] || !seen["x"] {
		return nil, fmt.Errorf("the polynomial needs at least the terms 1 and x")
	}
	return m, nil
}

// Exponents are those that the model refers with.
func (m *Model) Exponents() Exponents { return m.exponents }

// Outside says in words how a point lies outside what the baseline was made for; "" when it does not. Beside a little rounding
// nothing is extrapolated: a margin that rests on that would be a guess.
func (m *Model) Outside(p Point) string {
	const rounding = 0.002
	c, err := atmosphere.At(p.Altitude, p.OAT, p.Airspeed)
	if err != nil {
		return err.Error()
	}
	if r := referredPower(&p, &c); !(r >= m.low*(1-rounding) && r <= m.high*(1+rounding)) {
		return fmt.Sprintf("its referred power of %.0f kW is outside the %.0f to %.0f kW of the baseline", r, m.low, m.high)
	}
	if m.hot > 0 && !(c.Theta >= m.cold-rounding && c.Theta <= m.hot+rounding) {
		return fmt.Sprintf("its inlet temperature of %.1f °C is outside the %.1f to %.1f °C of the baseline",
			atmosphere.T0*c.Theta-273.15, atmosphere.T0*m.cold-273.15, atmosphere.T0*m.hot-273.15)
	}
	return ""
}

// TorqueRange is the torque [N·m] between which the baseline holds at the condition of a point.
func (m *Model) TorqueRange(p Point) (low, high float64, err error) {
	c, err := atmosphere.At(p.Altitude, p.OAT, p.Airspeed)
	if err != nil {
		return 0, 0, err
	}
	if !(p.Np > 0) {
		return 0, 0, fmt.Errorf("a propeller speed of %g rpm is none", p.Np)
	}
	torque := func(referred float64) float64 {
		return referred * c.Delta * math.Sqrt(c.Theta) * 60000 / (2 * math.Pi * p.Np)
	}
	return torque(m.low), torque(m.high), nil
}
