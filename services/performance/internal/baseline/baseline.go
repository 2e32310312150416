// Package baseline says what a clean nominal engine reads at a condition, learned from the operator's baseline table.
//
// Readings are referred to a standard day (theta, delta with the exponents of the model's data), and each referred
// parameter is a polynomial of referred power, Mach number, propeller speed, pressure altitude and, when the table is large
// enough, theta, fitted to the table by least squares. The residual of the fit is reported, because it is part of the uncertainty of every deviation.
package baseline

import (
	"errors"
	"fmt"
	"math"

	"gonum.org/v1/gonum/mat"

	"coldsection.example/services/performance/internal/atmosphere"
)

// Exponents of theta and delta by which a parameter is divided. Ideal ones are in Ideal.
type Exponents struct {
	ITTTheta, NgTheta, FuelTheta, FuelDelta, TorqueDelta float64
}

// Ideal are the exponents of ideal similarity; real engines differ (Volponi, ASME J. Eng. Gas Turbines Power 121 (1999)
// 613), so operators enter their own.
var Ideal = Exponents{ITTTheta: 1, NgTheta: 0.5, FuelTheta: 0.5, FuelDelta: 1, TorqueDelta: 1}

// Point is one reading or one row of the table.
type Point struct {
	Altitude, OAT, Airspeed, Np, Torque float64 // m, °C, kt, rpm, N·m
	ITT, Ng, Fuel                       float64 // °C, %, kg/h
}

// Power is the shaft power [kW]: 2πQN/60.
func (p Point) Power() float64 { return 2 * math.Pi * p.Torque * p.Np / 60 / 1000 }

// Values are the three parameters that are compared: ITT [°C], Ng [%], fuel flow [kg/h].
type Values struct{ ITT, Ng, Fuel float64 }

// Model is a fitted baseline.
type Model struct {
	exponents    Exponents
	power, np    float64  // scales of the regressors
	coefficients []Values // of the terms, the first ones or all: what each adds to referred ITT [K], Ng [%], fuel flow [kg/h]
	Residual     Values   // standard deviation of the fit, fuel flow in per cent
	Points       int
	low, high    float64 // range of referred power in the table
	cold, hot    float64 // range of theta in the table; both 0 when not known
}

// A small table determines the corrected engine only; one with three rows for each term also determines what similarity and
// a straight line in propeller speed leave, which otherwise comes back as a yearly wave in every deviation.
var (
	fewTerms  = 11
	manyTerms = len(terms)
)

// Fit learns a model from a table of at least 30 points.
func Fit(table []Point, e Exponents) (*Model, error) {
	if len(table) < 3*fewTerms {
		return nil, fmt.Errorf("the baseline table has %d points; it needs at least %d", len(table), 3*fewTerms)
	}
	m := &Model{exponents: e, Points: len(table), low: math.Inf(1), cold: math.Inf(1), coefficients: make([]Values, fewTerms)}
	if len(table) >= 3*manyTerms {
		m.coefficients = make([]Values, manyTerms)
	}
	conditions := make([]atmosphere.Condition, len(table))
	for i, p := range table {
		c, err := atmosphere.At(p.Altitude, p.OAT, p.Airspeed)
		if err != nil {
			return nil, fmt.Errorf("baseline point %d: %w", i+1, err)
		}
		conditions[i] = c
		m.power = math.Max(m.power, referredPower(&p, &c))
		m.np = math.Max(m.np, p.Np)
	}
	x := mat.NewDense(len(table), len(m.coefficients), nil)
	y := mat.NewDense(len(table), 3, nil)
	for i, p := range table {
		r := referredPower(&p, &conditions[i])
		m.low, m.high = math.Min(m.low, r), math.Max(m.high, r)
		m.cold, m.hot = math.Min(m.cold, conditions[i].Theta), math.Max(m.hot, conditions[i].Theta)
		row := m.regressors(&p, r, &conditions[i])
		x.SetRow(i, row[:len(m.coefficients)])
		v := refer(Values{p.ITT, p.Ng, p.Fuel}, m.scales(&conditions[i]))
		y.SetRow(i, []float64{v.ITT, v.Ng, v.Fuel})
	}
	var b mat.Dense
	// A table with one Mach number or one propeller speed leaves terms undetermined; a little ridge keeps them small.
	if err := solveRidge(&b, x, y); err != nil {
		return nil, fmt.Errorf("the baseline table does not determine a model: %w", err)
	}
	for i := range m.coefficients {
		m.coefficients[i] = Values{b.At(i, 0), b.At(i, 1), b.At(i, 2)}
	}
	err := m.residuals(table)
	return m, err
}

func solveRidge(b *mat.Dense, x, y *mat.Dense) error {
	const ridge = 1e-8
	var xtx, xty mat.Dense
	xtx.Mul(x.T(), x)
	xty.Mul(x.T(), y)
	rows, terms := x.Dims()
	for i := range terms {
		xtx.Set(i, i, xtx.At(i, i)+ridge*float64(rows))
	}
	err := b.Solve(&xtx, &xty)
	if _, ok := errors.AsType[mat.Condition](err); ok {
		return nil // solved, with a warning on conditioning that the residuals judge
	}
	return err
}

func referredPower(p *Point, c *atmosphere.Condition) float64 {
	return p.Power() / (c.Delta * math.Sqrt(c.Theta))
}

// regressors are the terms at a condition.
func (m *Model) regressors(p *Point, power float64, c *atmosphere.Condition) (out [len(terms)]float64) {
	v := m.powers(p, power, c)
	for i := range terms {
		out[i] = v[terms[i].first%powerCount] * v[terms[i].second%powerCount]
	}
	return out
}

func (m *Model) powers(p *Point, power float64, c *atmosphere.Condition) [powerCount]float64 {
	return powers(power/m.power, c.Mach, m.Speed(p), p.Altitude/altitudeScale, c.Theta-1)
}

// scales are the powers of theta and delta by which referred values are multiplied.
func (m *Model) scales(c *atmosphere.Condition) Values {
	e := m.exponents
	return Values{ITT: power(c.Theta, e.ITTTheta), Ng: power(c.Theta, e.NgTheta), Fuel: power(c.Theta, e.FuelTheta) * power(c.Delta, e.FuelDelta)}
}

// power is math.Pow, faster for the exponents of similarity.
func power(x, exponent float64) float64 {
	switch exponent {
	case 1:
		return x
	case 0.5:
		return math.Sqrt(x)
	default:
		return math.Pow(x, exponent)
	}
}

// refer divides by the powers of theta and delta.
func refer(v, by Values) Values {
	return Values{ITT: (v.ITT + 273.15) / by.ITT, Ng: v.Ng / by.Ng, Fuel: v.Fuel / by.Fuel}
}

// Expectation is what a clean engine would read, and how that came about.
type Expectation struct {
	Condition     atmosphere.Condition
	Expected      Values // at the condition of the reading
	Referred      Values // the reading on a standard day: ITT in K
	ReferredClean Values // the clean engine on a standard day: ITT in K
	ReferredPower float64
	Extrapolated  bool // the power lies outside the table
}

// Expect works a reading's expectation out.
func (m *Model) Expect(p Point) (Expectation, error) {
	c, err := atmosphere.At(p.Altitude, p.OAT, p.Airspeed)
	if err != nil {
		return Expectation{}, err
	}
	referred, by := referredPower(&p, &c), m.scales(&c)
	clean := m.clean(&p, referred, &c)
	out := Expectation{
		Condition: c, Referred: refer(Values{p.ITT, p.Ng, p.Fuel}, by), ReferredClean: clean, ReferredPower: referred, Expected: expected(clean, by),
	}
	out.Extrapolated = out.ReferredPower < 0.8*m.low || out.ReferredPower > 1.1*m.high
	return out, known(out.Expected)
}

// Deviation is that of Expect and the condition's theta, without how it came about. Errors are those of Expect.
func (m *Model) Deviation(p *Point) (d Values, theta float64, err error) {
	c, err := atmosphere.At(p.Altitude, p.OAT, p.Airspeed)
	if err != nil {
		return d, 0, err
	}
	x := expected(m.clean(p, referredPower(p, &c), &c), m.scales(&c))
	return deviation(p, x), c.Theta, known(x)
}

// clean is what a clean engine reads on a standard day: the polynomials' values.
func (m *Model) clean(p *Point, power float64, c *atmosphere.Condition) (sum Values) {
	v := m.powers(p, power, c)
	for i := range m.coefficients {
		a, b := &m.coefficients[i], v[terms[i].first%powerCount]*v[terms[i].second%powerCount]
		sum.ITT, sum.Ng, sum.Fuel = sum.ITT+a.ITT*b, sum.Ng+a.Ng*b, sum.Fuel+a.Fuel*b
	}
	return sum
}

// expected takes what a clean engine reads on a standard day to the day of a reading.
func expected(clean, by Values) Values {
	return Values{ITT: clean.ITT*by.ITT - 273.15, Ng: clean.Ng * by.Ng, Fuel: clean.Fuel * by.Fuel}
}

func known(x Values) error {
	if math.IsNaN(x.ITT+x.Ng+x.Fuel) || !(x.Fuel > 0) {
		return errors.New("the baseline has no value at this condition")
	}
	return nil
}

// Speed is a reading's propeller speed relative to the fastest of the table, less 1.
func (m *Model) Speed(p *Point) float64 { return p.Np/m.np - 1 }

// Deviation of a reading: ITT [°C], Ng [% points], fuel flow [% of expected].
func (x Expectation) Deviation(p Point) Values { return deviation(&p, x.Expected) }

func deviation(p *Point, x Values) Values {
	return Values{ITT: p.ITT - x.ITT, Ng: p.Ng - x.Ng, Fuel: 100 * (p.Fuel/x.Fuel - 1)}
}

func (m *Model) residuals(table []Point) error {
	var sum Values
	for _, p := range table {
		x, err := m.Expect(p)
		if err != nil {
			return err
		}
		d := x.Deviation(p)
		sum.ITT, sum.Ng, sum.Fuel = sum.ITT+d.ITT*d.ITT, sum.Ng+d.Ng*d.Ng, sum.Fuel+d.Fuel*d.Fuel
	}
	n := float64(len(table) - len(m.coefficients))
	m.Residual = Values{math.Sqrt(sum.ITT / n), math.Sqrt(sum.Ng / n), math.Sqrt(sum.Fuel / n)}
	return nil
}
