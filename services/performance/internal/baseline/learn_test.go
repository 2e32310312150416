package baseline_test

import (
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	"coldsection.example/services/performance/internal/baseline"
	"coldsection.example/services/platform/fault"
)

// fleetOf are readings of engines that obey ideal similarity, each offset by a constant ITT, with this scatter of ITT [°C], and
// dirt of 4 °C in 100 days.
func fleetOf(offsets []float64, readings int, scatter float64) []baseline.Source {
	random := rand.New(rand.NewPCG(5, 6))
	var fleet []baseline.Source
	for e, offset := range offsets {
		s := baseline.Source{Engine: string(rune('a' + e))}
		for i := range readings {
			p := engine(4000*random.Float64(), 30-50*random.Float64(), 1600+200*random.Float64(), 900+1100*random.Float64())
			p.Airspeed = 120 + 80*random.Float64()
			p = flying(p)
			age := 60 * float64(i) / float64(readings)
			p.ITT += (offset + 0.04*age) * thetaOf(p)
			p.ITT += scatter * random.NormFloat64()
			s.Readings = append(s.Readings, baseline.Clean{Point: p, Age: age})
		}
		fleet = append(fleet, s)
	}
	return fleet
}

func thetaOf(p baseline.Point) float64 {
	m, err := baseline.Of(line, baseline.Ideal)
	if err != nil {
		panic(err) // the line is a constant of the test
	}
	x, err := m.Expect(p)
	if err != nil {
		panic(err)
	}
	return x.Condition.Theta
}

// line is the engine of function engine as a polynomial: 800 K + 250 K, 78 % + 20 %, 60 + 150 kg/h at 500 kW.
var line = baseline.Polynomial{Power: 500, Np: 1700, Low: 100, High: 900, Terms: []baseline.Term{
	{Name: "1", Coefficients: baseline.Values{ITT: 800, Ng: 78, Fuel: 60}}, {Name: "x", Coefficients: baseline.Values{ITT: 250, Ng: 20, Fuel: 150}},
}}

// flying is the reading of that engine in flight.
func flying(p baseline.Point) baseline.Point {
	m, err := baseline.Of(line, baseline.Ideal)
	if err != nil {
		panic(err)
	}
	x, err := m.Expect(p)
	if err != nil {
		panic(err)
	}
	p.ITT, p.Ng, p.Fuel = x.Expected.ITT, x.Expected.Ng, x.Expected.Fuel
	return p
}

func TestALearnedBaselineIsTheFleetsMean(t *testing.T) {
	l, err := baseline.Learn(fleetOf([]float64{-3, 0, 6}, 80, 0), baseline.Ideal)
	if err != nil {
		t.Fatal(err)
	}
	near := func(what string, got, want, within float64) {
		t.Helper()
		if !(math.Abs(got-want) <= within) {
			t.Errorf("%s: %g, want %g ± %g", what, got, want, within)
		}
	}
	for i, want := range []float64{-4, -1, 5} { // the mean of the offsets, 1, is the fleet's
		near("offset", l.Engines[i].Offset.ITT, want, 1e-6)
	}
	near("dirt", l.Dirt.ITT, 4, 1e-6)
	near("error of the level", l.Level.ITT, math.Sqrt((16+1+25)/2.0/3), 1e-6)
	m, err := baseline.Of(l.Polynomial, baseline.Ideal)
	if err != nil {
		t.Fatal(err)
	}
	p := flying(baseline.Point{Altitude: 2100, OAT: 4, Airspeed: 160, Np: 1710, Torque: 1500})
	x, err := m.Expect(p)
	if err != nil {
		t.Fatal(err)
	}
	near("ITT", x.Expected.ITT, p.ITT+thetaOf(p), 1e-4) // the mean offset of 1 K
	near("Ng", x.Expected.Ng, p.Ng, 1e-6)
	near("fuel flow", x.Expected.Fuel, p.Fuel, 1e-5)
	near("residual", m.Residual.ITT, l.Level.ITT, 0)
}

// One reading in ten logged 100 °C too high moves no coefficient by more than four of its standard errors.
func TestWrongReadingsHardlyMoveIt(t *testing.T) {
	fleet := fleetOf([]float64{-1, 0, 1, 0}, 100, 2)
	wrong := 0
	for e := range fleet {
		for i := 0; i < len(fleet[e].Readings); i += 10 {
			fleet[e].Readings[i].Point.ITT += 100
			wrong++
		}
	}
	l, err := baseline.Learn(fleet, baseline.Ideal)
	if err != nil {
		t.Fatal(err)
	}
	discounted := 0
	for _, e := range l.Engines {
		discounted += e.Discounted
	}
	if discounted < wrong || discounted > wrong+40 {
		t.Errorf("%d readings count less than half, %d are wrong", discounted, wrong)
	}
	for i, term := range l.Polynomial.Terms {
		want := map[string]float64{"1": 800, "x": 250 * l.Polynomial.Power / 500}[term.Name]
		if miss := math.Abs(term.Coefficients.ITT - want); miss > 4*l.Errors[i].Coefficients.ITT {
			t.Errorf("%s: %g, want %g, standard error %g", term.Name, term.Coefficients.ITT, want, l.Errors[i].Coefficients.ITT)
		}
	}
	if l.Scale.ITT < 1.5 || l.Scale.ITT > 3 {
		t.Errorf("scale %g of readings that scatter by 2 °C", l.Scale.ITT)
	}
}

func TestTheOrderOfEnginesChangesNothing(t *testing.T) {
	fleet := fleetOf([]float64{-3, 0, 6, 1}, 60, 1)
	one, err := baseline.Learn(fleet, baseline.Ideal)
	if err != nil {
		t.Fatal(err)
	}
	slices.Reverse(fleet)
	other, err := baseline.Learn(fleet, baseline.Ideal)
	if err != nil || !slices.Equal(one.Polynomial.Terms, other.Polynomial.Terms) || one.Engines[0] != other.Engines[0] {
		t.Errorf("%+v, %v", other, err)
	}
}

func TestWhatAFleetDoesNotTellIsLeftOut(t *testing.T) {
	fleet := fleetOf([]float64{-3, 0, 6, 1}, 60, 1)
	for e := range fleet {
		for i := range fleet[e].Readings {
			p := &fleet[e].Readings[i].Point
			p.Np = 1700
			*p = flying(*p)
		}
	}
	fleet[0].Readings[3].Point.OAT = -273.15
	fleet[1].Readings[4].Point.Torque *= 10
	fleet = append(fleet, baseline.Source{Engine: "few", Readings: fleet[0].Readings[:5]})
	l, err := baseline.Learn(fleet, baseline.Ideal)
	if err != nil {
		t.Fatal(err)
	}
	said := strings.Join(l.LeftOut, "\n")
	for _, want := range []string{"few: 5 clean readings", "1 readings that are no condition", "1 readings far outside", "The terms with n"} {
		if !strings.Contains(said, want) {
			t.Errorf("%q is not said in:\n%s", want, said)
		}
	}
	for _, term := range l.Polynomial.Terms {
		if strings.Contains(term.Name, "n") {
			t.Errorf("%s was learned from one propeller speed", term.Name)
		}
	}
	if l.Readings != 4*60-2 {
		t.Errorf("%d readings", l.Readings)
	}
}

func TestFleetsThatTellTooLittleAreRefused(t *testing.T) {
	narrow := fleetOf([]float64{0, 1, 2}, 60, 1)
	for e := range narrow {
		for i := range narrow[e].Readings {
			p := &narrow[e].Readings[i].Point
			p.Altitude, p.OAT, p.Torque, p.Np = 2000, 5, 1500, 1700
		}
	}
	for reason, fleet := range map[string][]baseline.Source{
		"LEARNING_ENGINES_TOO_FEW":  fleetOf([]float64{0, 1}, 200, 1),
		"LEARNING_READINGS_TOO_FEW": fleetOf([]float64{0, 1, 2}, 25, 1),
		"LEARNING_NOT_SPREAD":       narrow,
	} {
		if _, err := baseline.Learn(fleet, baseline.Ideal); !fault.HasReason(err, reason) {
			t.Errorf("%v, want %s", err, reason)
		}
	}
	if _, err := baseline.Learn(nil, baseline.Ideal); !fault.HasReason(err, "LEARNING_ENGINES_TOO_FEW") {
		t.Error(err)
	}
}
