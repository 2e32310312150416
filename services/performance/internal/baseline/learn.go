package baseline

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strings"

	"coldsection.example/services/performance/internal/atmosphere"
	"coldsection.example/services/performance/internal/regress"
	"coldsection.example/services/platform/fault"
)

// Clean is a reading taken soon after an engine was clean.
type Clean struct {
	Point Point
	Age   float64 // days since then
}

// Source are the clean readings of one engine.
type Source struct {
	Engine   string
	Readings []Clean
}

// Learned is a baseline learned from a fleet. Values of ITT are referred, in kelvin; those of fuel flow are kg/h.
type Learned struct {
	Polynomial Polynomial
	Errors     []Term // one standard error of each coefficient, by independent noise
	Scale      Values // one standard deviation of single readings about their engine's line
	Level      Values // one standard error of the fleet's mean, which is what a nominal engine is taken for
	Dirt       Values // what came in 100 days after the engines were clean, which the baseline leaves out
	Engines    []Offset
	Readings   int
	LeftOut    []string // terms and readings that were not used, each with why
}

// Offset is how one engine differs from the fleet's mean.
type Offset struct {
	Engine     string
	Offset     Values
	Readings   int
	Discounted int // readings of which at least one value counted less than half
}

// What a fleet must bring. Common practice, no source.
const (
	fewestEngines  = 3
	fewestReadings = 20  // of one engine
	readingsPer    = 10  // and of all engines, for each coefficient
	mostEngines    = 40  // more say little more and take long
	mostReadings   = 250 // of one engine
	huber          = 1.345
	powerSpread    = 0.15 // of the highest referred power
	halfWeight     = 0.5
	ageUnit        = 100.0 // days
)

// learnable are the terms that readings in service can determine, each with the letters whose spread it needs.
var learnable = []string{"1", "x", "x^2", "m", "n", "n^2", "x*n", "h", "t", "x*t"}

// spreads are the least ranges of what a letter stands for: less says nothing of its terms. Common practice, no source.
var spreads = []struct {
	letter string
	least  float64
	name   string
}{
	{"m", 0.04, "Mach numbers"}, {"n", 0.03, "propeller speeds"}, {"h", 0.05, "altitudes"}, {"t", 0.04, "inlet temperatures"},
}

// Learn finds the baseline of a fleet by robust regression: of each referred value on the polynomial's terms, with an offset for
// each engine, which are zero on average, and with the dirt that came since the engine was clean, as a straight line of days.
// Huber's weights take readings that were logged wrong for what they are. The noise of torque and air temperature flattens the
// slopes a little; that is not corrected. Reasons: LEARNING_ENGINES_TOO_FEW, LEARNING_READINGS_TOO_FEW, LEARNING_NOT_SPREAD.
func Learn(sources []Source, e Exponents) (*Learned, error) {
	f := &fleet{out: &Learned{}, model: &Model{exponents: e, low: math.Inf(1), cold: math.Inf(1)}}
	f.take(sources)
	f.trim()
	if len(f.out.Engines) < fewestEngines {
		return nil, fault.Precondition("LEARNING_ENGINES_TOO_FEW",
			"%d engines have at least %d clean readings; it takes %d to tell the model from one engine. Take more readings, or enter when engines were washed or overhauled.",
			len(f.out.Engines), fewestReadings, fewestEngines)
	}
	if err := f.choose(); err != nil {
		return nil, err
	}
	if need := readingsPer * f.columns(); len(f.rows) < need {
		return nil, fault.Precondition("LEARNING_READINGS_TOO_FEW", "There are %d clean readings; %d coefficients take %d. Take more readings.", len(f.rows), f.columns(), need)
	}
	if err := f.fit(); err != nil {
		return nil, err
	}
	return f.out, nil
}

// sample is a reading with its condition and its referred values.
type sample struct {
	engine    int
	age       float64
	point     Point
	condition atmosphere.Condition
	power     float64
	values    Values
}

// fleet is the work in progress.
type fleet struct {
	out   *Learned
	model *Model
	rows  []sample
	terms []int // places among all terms
	aged  bool  // there is a column for dirt
}

// take keeps the readings that can be used; the newest when an engine has too many, and the engines with most of them.
func (f *fleet) take(sources []Source) {
	sources = slices.Clone(sources)
	slices.SortStableFunc(sources, func(a, b Source) int {
		return cmp.Or(cmp.Compare(len(b.Readings), len(a.Readings)), strings.Compare(a.Engine, b.Engine))
	})
	for _, s := range sources {
		switch {
		case len(s.Readings) < fewestReadings:
			f.leave("%s: %d clean readings, which is less than %d.", s.Engine, len(s.Readings), fewestReadings)
			continue
		case len(f.out.Engines) == mostEngines:
			f.leave("%s: there are %d engines with more readings already.", s.Engine, mostEngines)
			continue
		case len(s.Readings) > mostReadings:
			f.leave("%s: all but the newest %d of %d clean readings.", s.Engine, mostReadings, len(s.Readings))
			s.Readings = s.Readings[len(s.Readings)-mostReadings:]
		}
		f.add(s)
	}
}

func (f *fleet) leave(format string, args ...any) {
	f.out.LeftOut = append(f.out.LeftOut, fmt.Sprintf(format, args...))
}

// add takes one engine's readings in, those that are no numbers apart.
func (f *fleet) add(s Source) {
	number, unusable, from := len(f.out.Engines), 0, len(f.rows)
	for _, r := range s.Readings {
		c, err := atmosphere.At(r.Point.Altitude, r.Point.OAT, r.Point.Airspeed)
		row := sample{engine: number, age: r.Age, point: r.Point, condition: c, power: referredPower(&r.Point, &c)}
		row.values = refer(Values{r.Point.ITT, r.Point.Ng, r.Point.Fuel}, f.model.scales(&c))
		sum := row.power + row.age + row.values.ITT + row.values.Ng + row.values.Fuel
		if err != nil || !(row.power > 0 && row.age >= 0 && sum < 1e9 && row.values.Fuel > 0) {
			unusable++
			continue
		}
		f.rows = append(f.rows, row)
	}
	if unusable > 0 {
		f.leave("%s: %d readings that are no condition of an engine that runs.", s.Engine, unusable)
	}
	if len(f.rows)-from < fewestReadings {
		f.leave("%s: %d clean readings, which is less than %d.", s.Engine, len(f.rows)-from, fewestReadings)
		f.rows = f.rows[:from]
		return
	}
	f.out.Engines = append(f.out.Engines, Offset{Engine: s.Engine, Readings: len(f.rows) - from})
}

// span are the second lowest and the second highest of a hundred, so that a slipped digit does not make a range.
func (f *fleet) span(of func(*sample) float64) (low, high float64) {
	if len(f.rows) == 0 {
		return 0, 0
	}
	v := make([]float64, len(f.rows))
	for i := range f.rows {
		v[i] = of(&f.rows[i])
	}
	slices.Sort(v)
	edge := len(v) / 50
	return v[edge], v[len(v)-1-edge]
}

// trim leaves out readings far outside the powers and temperatures of the others: one slipped digit would weigh more than all
// of them, however robust the regression.
func (f *fleet) trim() {
	low, high := f.span(func(s *sample) float64 { return s.power })
	cold, hot := f.span(func(s *sample) float64 { return s.condition.Theta })
	const powers, temperatures = 0.2, 0.05 // beyond the range; common practice, no source
	far := func(s sample) bool {
		return s.power < low-powers*high || s.power > high*(1+powers) || s.condition.Theta < cold-temperatures || s.condition.Theta > hot+temperatures
	}
	before := len(f.rows)
	f.rows = slices.DeleteFunc(f.rows, func(s sample) bool {
		if far(s) {
			f.out.Engines[s.engine].Readings--
			return true
		}
		return false
	})
	if left := before - len(f.rows); left > 0 {
		f.leave("%d readings far outside the powers and temperatures of the others.", left)
	}
}

// choose finds the scales and ranges, and the terms that the spread of the readings determines.
func (f *fleet) choose() error {
	m := f.model
	m.low, m.high = f.span(func(s *sample) float64 { return s.power })
	m.cold, m.hot = f.span(func(s *sample) float64 { return s.condition.Theta })
	m.power = m.high
	_, m.np = f.span(func(s *sample) float64 { return s.point.Np })
	if m.high-m.low < powerSpread*m.high {
		return fault.Precondition("LEARNING_NOT_SPREAD",
			"The clean readings lie between %.0f and %.0f kW of referred power, which is too narrow to learn from. Take readings at other powers.", m.low, m.high)
	}
	oldest := 0.0
	for _, s := range f.rows {
		oldest = math.Max(oldest, s.age)
	}
	f.aged = oldest >= ageUnit/10
	f.determine()
	return nil
}

// determine chooses the terms that the spread of the readings determines.
func (f *fleet) determine() {
	of := map[string]func(*sample) float64{
		"m": func(s *sample) float64 { return s.condition.Mach }, "n": func(s *sample) float64 { return s.point.Np/f.model.np - 1 },
		"h": func(s *sample) float64 { return s.point.Altitude / altitudeScale }, "t": func(s *sample) float64 { return s.condition.Theta },
	}
	names := slices.Clone(learnable)
	for _, s := range spreads {
		if low, high := f.span(of[s.letter]); high-low < s.least {
			names = slices.DeleteFunc(names, func(name string) bool { return strings.Contains(name, s.letter) })
			f.leave("The terms with %s: the readings' %s are too much alike to learn them.", s.letter, s.name)
		}
	}
	for _, name := range names {
		f.terms = append(f.terms, slices.IndexFunc(terms[:], func(t term) bool { return t.name == name }))
	}
}

// columns counts the coefficients: terms, offsets of all engines but one, dirt.
func (f *fleet) columns() int {
	n := len(f.terms) + len(f.out.Engines) - 1
	if f.aged {
		n++
	}
	return n
}

// design are the rows of the regression.
func (f *fleet) design() [][]float64 {
	last := len(f.out.Engines) - 1
	x := make([][]float64, len(f.rows))
	for i := range f.rows {
		s := &f.rows[i]
		all := f.model.regressors(&s.point, s.power, &s.condition)
		row := make([]float64, 0, f.columns())
		for _, at := range f.terms {
			row = append(row, all[at])
		}
		for e := range last {
			switch s.engine {
			case e:
				row = append(row, 1)
			case last: // the offsets are zero on average
				row = append(row, -1)
			default:
				row = append(row, 0)
			}
		}
		if f.aged {
			row = append(row, s.age/ageUnit)
		}
		x[i] = row
	}
	return x
}

// parts are the three values by place.
func (v *Values) parts() [3]*float64 { return [3]*float64{&v.ITT, &v.Ng, &v.Fuel} }

// fit fits the three values and writes down what comes out.
func (f *fleet) fit() error {
	x, y := f.design(), make([]float64, len(f.rows))
	out, discounted := f.out, make([]bool, len(f.rows))
	out.Readings = len(f.rows)
	coefficients, errors := make([]Term, len(f.terms)), make([]Term, len(f.terms))
	for part := range 3 {
		for i := range f.rows {
			y[i] = *f.rows[i].values.parts()[part]
		}
		r, err := regress.Huber(x, y, huber)
		if err != nil {
			return fault.Precondition("LEARNING_NOT_SPREAD", "The clean readings do not determine a baseline: %s. Take readings at more conditions.", err)
		}
		for i, at := range f.terms {
			coefficients[i].Name, errors[i].Name = terms[at].name, terms[at].name
			*coefficients[i].Coefficients.parts()[part], *errors[i].Coefficients.parts()[part] = r.Coefficients[i], r.StandardErrors[i]
		}
		*out.Scale.parts()[part] = r.Scale
		f.offsets(part, r.Coefficients[len(f.terms):])
		for i, w := range r.Weights {
			discounted[i] = discounted[i] || w < halfWeight
		}
	}
	for i, d := range discounted {
		if d {
			out.Engines[f.rows[i].engine].Discounted++
		}
	}
	m := f.model
	out.Errors = errors
	out.Polynomial = Polynomial{Power: m.power, Np: m.np, Low: m.low, High: m.high, Cold: m.cold, Hot: m.hot, Terms: coefficients}
	out.Polynomial.Error = f.uncertain()
	return nil
}

// offsets writes the engines' offsets of one value down, the standard error of their mean, and the dirt.
func (f *fleet) offsets(part int, rest []float64) {
	last, squares := len(f.out.Engines)-1, 0.0
	for e := range f.out.Engines {
		at := f.out.Engines[e].Offset.parts()[part]
		if e < last {
			*at = rest[e]
			*f.out.Engines[last].Offset.parts()[part] -= rest[e]
		}
	}
	for e := range f.out.Engines {
		v := *f.out.Engines[e].Offset.parts()[part]
		squares += v * v
	}
	n := float64(last + 1)
	*f.out.Level.parts()[part] = math.Sqrt(squares / (n - 1) / n)
	if f.aged {
		*f.out.Dirt.parts()[part] = rest[last]
	}
}

// uncertain is one standard deviation of what the baseline says of a nominal engine: the fleet's mean, which few engines leave
// uncertain by far more than the coefficients are. ITT in °C, fuel flow in per cent.
func (f *fleet) uncertain() Values {
	fuel := 0.0
	for _, s := range f.rows {
		fuel += s.values.Fuel / float64(len(f.rows))
	}
	return Values{ITT: f.out.Level.ITT, Ng: f.out.Level.Ng, Fuel: 100 * f.out.Level.Fuel / fuel}
}
