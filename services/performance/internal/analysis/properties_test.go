package analysis_test

import (
	"encoding/binary"
	"fmt"
	"math"
	"math/rand/v2"
	"reflect"
	"slices"
	"strconv"
	"testing"
	"time"

	"pgregory.net/rapid"

	"coldsection.example/services/performance/internal/analysis"
	"coldsection.example/services/platform/quantity"
)

// lived is an engine with dirt, washes and a leak, and what is done to it.
func lived() ([]analysis.Reading, []analysis.Event) {
	return live(9, life, 0.8, leak, step(1.5)), washes(life)
}

// entered is a value as a person writes it down in a unit, read back.
func entered(t testing.TB, canonical, perUnit, zero float64, unit string) float64 {
	t.Helper()
	q, err := quantity.Parse(strconv.FormatFloat(canonical/perUnit+zero, 'f', 9, 64), unit)
	if err != nil {
		t.Fatal(err)
	}
	return q.Canonical()
}

func TestDeviationsDoNotMoveWithTheUnits(t *testing.T) {
	m := model(t)
	readings, events := lived()
	trade := slices.Clone(readings)
	for i := range trade {
		p := &trade[i].Point
		p.Altitude = entered(t, p.Altitude, 0.3048, 0, "[ft_i]")
		p.OAT = entered(t, p.OAT, 5.0/9, 32, "[degF]")
		p.ITT = entered(t, p.ITT, 5.0/9, 32, "[degF]")
		p.Torque = entered(t, p.Torque, 1.3558179483314004, 0, "[ft_i].[lbf_av]")
		p.Fuel = entered(t, p.Fuel, 0.45359237, 0, "[lb_av]/h")
	}
	a, b := analysis.Analyse(m, readings, events, analysis.Rules{}), analysis.Analyse(m, trade, events, analysis.Rules{})
	for i := range a.Verdicts {
		x, y := a.Verdicts[i].Deviation, b.Verdicts[i].Deviation
		if math.Abs(x.ITT-y.ITT) > 1e-6 || math.Abs(x.Ng-y.Ng) > 1e-6 || math.Abs(x.Fuel-y.Fuel) > 1e-6 || a.Verdicts[i].State != b.Verdicts[i].State {
			t.Fatalf("reading %d: %+v in SI, %+v in trade units", i, x, y)
		}
	}
	if len(a.Shifts) == 0 || len(a.Shifts) != len(b.Shifts) || a.Shifts[0].DetectedAt != b.Shifts[0].DetectedAt || len(a.Advices) != len(b.Advices) {
		t.Errorf("shifts %v and %v", a.Shifts, b.Shifts)
	}
}

// without is a result with nothing about single readings.
func without(r analysis.Result) analysis.Result {
	r.Readings, r.Verdicts = nil, nil
	return r
}

func TestADoubledReadingChangesNothing(t *testing.T) {
	m := model(t)
	readings, events := lived()
	want := without(analysis.Analyse(m, readings, events, analysis.Rules{}))
	rapid.Check(t, func(t *rapid.T) {
		doubled := slices.Clone(readings)
		for _, i := range rapid.SliceOfN(rapid.IntRange(0, len(readings)-1), 1, 20).Draw(t, "which") {
			again := readings[i]
			again.ID = fmt.Sprint(again.ID, len(doubled))
			doubled = append(doubled, again)
		}
		if got := without(analysis.Analyse(m, doubled, events, analysis.Rules{})); !reflect.DeepEqual(got, want) {
			t.Errorf("%d doubled readings changed the result", len(doubled)-len(readings))
		}
	})
}

func TestZonesOfTheClockChangeNothing(t *testing.T) {
	m := model(t)
	readings, events := lived()
	want := analysis.Analyse(m, readings, events, analysis.Rules{})
	rapid.Check(t, func(t *rapid.T) {
		minutes := rapid.IntRange(-12*60, 14*60).Draw(t, "minutes")
		zone, later := time.FixedZone("", minutes*60), time.Duration(minutes)*time.Minute
		elsewhere, shifted, moved := slices.Clone(readings), slices.Clone(readings), slices.Clone(events)
		for i, r := range readings {
			elsewhere[i].At, shifted[i].At = r.At.In(zone), r.At.Add(later)
		}
		for i, e := range events {
			moved[i].At = e.At.Add(later)
		}
		same, late := analysis.Analyse(m, elsewhere, events, analysis.Rules{}), analysis.Analyse(m, shifted, moved, analysis.Rules{})
		if same.Level != want.Level || late.Level != want.Level || same.Recoveries[1].ITT != want.Recoveries[1].ITT || late.Recoveries[1].ITT != want.Recoveries[1].ITT {
			t.Errorf("level %+v, %+v and %+v", want.Level, same.Level, late.Level)
		}
		if len(late.Shifts) != len(want.Shifts) || !late.Shifts[0].DetectedAt.Equal(want.Shifts[0].DetectedAt.Add(later)) {
			t.Errorf("shifts %+v", late.Shifts)
		}
	})
}

func TestAnyOrderOfArrivalGivesTheSame(t *testing.T) {
	m := model(t)
	readings, events := lived()
	want := analysis.Analyse(m, readings, events, analysis.Rules{})
	rapid.Check(t, func(t *rapid.T) {
		seed := rapid.Uint64().Draw(t, "seed")
		random, shuffled, mixed := rand.New(rand.NewPCG(seed, 1)), slices.Clone(readings), slices.Clone(events)
		random.Shuffle(len(shuffled), func(i, j int) { shuffled[i], shuffled[j] = shuffled[j], shuffled[i] })
		random.Shuffle(len(mixed), func(i, j int) { mixed[i], mixed[j] = mixed[j], mixed[i] })
		if got := analysis.Analyse(m, shuffled, mixed, analysis.Rules{}); !reflect.DeepEqual(got, want) {
			t.Errorf("another order gave another result")
		}
	})
}

// A row that comes late re-runs what follows it: a reading held back until the end gives what it would have given in time.
func TestALateReadingReRunsWhatFollows(t *testing.T) {
	m := model(t)
	readings, events := lived()
	missing := append(slices.Clone(readings[:50]), readings[51:]...)
	before := analysis.Analyse(m, missing, events, analysis.Rules{})
	after, whole := analysis.Analyse(m, append(missing, readings[50]), events, analysis.Rules{}), analysis.Analyse(m, readings, events, analysis.Rules{})
	if !reflect.DeepEqual(after, whole) || before.Verdicts[60].Level == after.Verdicts[61].Level {
		t.Error("the late reading did not count where it belongs")
	}
}

// numbers are those of a result that must be finite.
func numbers(r analysis.Result) []float64 {
	out := []float64{r.Level.Value, r.Level.Half, r.Ng.Value, r.Ng.Half, r.Fuel.Value, r.Fuel.Half, r.Slope.Value, r.Slope.Half, r.Reference, r.Noise, r.Threshold}
	for _, v := range r.Verdicts {
		out = append(out, v.Deviation.ITT, v.Deviation.Ng, v.Deviation.Fuel, v.Level)
	}
	for _, w := range r.Recoveries {
		out = append(out, w.ITT.Value, w.ITT.Half, w.Ng.Value, w.Ng.Half, w.Fuel.Value, w.Fuel.Half)
	}
	for _, a := range append(slices.Clone(r.Advices), r.HeldBack...) {
		out = append(out, a.Level)
	}
	for _, s := range r.Shifts {
		out = append(out, s.Change.ITT, s.Change.Ng, s.Change.Fuel)
		for _, c := range s.Causes {
			out = append(out, c.Probability)
		}
	}
	return out
}

func finite(t testing.TB, name string, r analysis.Result) {
	t.Helper()
	for i, x := range numbers(r) {
		if math.IsNaN(x) || math.IsInf(x, 0) {
			t.Fatalf("%s: number %d of the result is %v", name, i, x)
		}
	}
}

// Bad input has an answer: the reading is held with its reason, and the rest goes on.
func TestBadReadingsAreHeldAndNothingElseMoves(t *testing.T) {
	m := model(t)
	readings, events := lived()
	want := without(analysis.Analyse(m, readings, events, analysis.Rules{}))
	for name, spoil := range map[string]func(*analysis.Reading){
		"ITT is no number":     func(r *analysis.Reading) { r.Point.ITT = math.NaN() },
		"Ng is infinite":       func(r *analysis.Reading) { r.Point.Ng = math.Inf(1) },
		"fuel flow is huge":    func(r *analysis.Reading) { r.Point.Fuel = 1e300 },
		"air of −273.15 °C":    func(r *analysis.Reading) { r.Point.OAT = -273.15 },
		"above the atmosphere": func(r *analysis.Reading) { r.Point.Altitude = 1e9 }, // where the pressure is 0
		"torque is no number":  func(r *analysis.Reading) { r.Point.Torque = math.NaN() },
		"torque is huge":       func(r *analysis.Reading) { r.Point.Torque = 1e200 },
		"no propeller speed":   func(r *analysis.Reading) { r.Point.Np = math.Inf(-1) },
		"airspeed backwards":   func(r *analysis.Reading) { r.Point.Airspeed = -5 },
	} {
		for _, insisted := range []bool{false, true} {
			bad := readings[40]
			bad.ID, bad.At, bad.Included = "bad", bad.At.Add(time.Hour), insisted
			spoil(&bad)
			r := analysis.Analyse(m, append(slices.Clone(readings), bad), events, analysis.Rules{})
			finite(t, name, r)
			if v := r.Verdicts[41]; v.State != analysis.Held || v.Reason == "" || v.Text == "" {
				t.Errorf("%s: %+v", name, v)
			}
			if r.Kept--; !reflect.DeepEqual(without(r), want) {
				t.Errorf("%s: it moved the result", name)
			}
		}
	}
}

func TestOddHistoriesHaveAnswers(t *testing.T) {
	m := model(t)
	readings, events := lived()
	other := readings[10]
	other.ID, other.Point.ITT = "zz", other.Point.ITT+5
	equal := slices.Clone(readings)
	for i := range equal {
		equal[i].Point, equal[i].Hours = readings[0].Point, 1000
	}
	gap := slices.Clone(readings)
	for i := 120; i < len(gap); i++ {
		gap[i].At = gap[i].At.AddDate(1, 0, 0)
	}
	for name, c := range map[string][]analysis.Reading{
		"nothing": nil, "one reading": readings[:1], "equal readings": equal, "a year's gap": gap, "two values for one time": append(slices.Clone(readings), other),
	} {
		for _, e := range [][]analysis.Event{nil, events} {
			finite(t, name, analysis.Analyse(m, c, e, analysis.Rules{}))
		}
	}
	r := analysis.Analyse(m, append(slices.Clone(readings), other), events, analysis.Rules{})
	if v := r.Verdicts[11]; v.Reason != "TWO_VALUES_FOR_ONE_TIME" || v.State != analysis.Held {
		t.Errorf("%+v", v)
	}
	other.Included = true
	if v := analysis.Analyse(m, append(slices.Clone(readings), other), nil, analysis.Rules{}).Verdicts[11]; v.State != analysis.Accepted {
		t.Errorf("a person took it in: %+v", v)
	}
	if r := analysis.Analyse(m, equal, nil, analysis.Rules{}); len(r.Shifts)+len(r.Advices) != 0 || r.Level.Half > 1 {
		t.Errorf("equal readings: %+v", without(r))
	}
	if r := analysis.Analyse(m, gap, events, analysis.Rules{}); r.Used < life-5 {
		t.Errorf("after a year's gap %d readings are used", r.Used)
	}
}

// FuzzAnalyse makes readings of any numbers, person's decisions and events, and wants finite numbers and probabilities that
// sum to 1.
func FuzzAnalyse(f *testing.F) {
	m := model(f)
	kinds := []string{"recovery_wash", "salt_rinse", "hot_section", "sensor_work", "overhaul", "other", "recovery_wash", ""}
	add := func(values ...float64) {
		var b []byte
		for i, v := range values {
			b = append(b, byte(i))
			b = binary.LittleEndian.AppendUint64(b, math.Float64bits(v))
		}
		f.Add(b, int64(3600), 2.0, 2700.0)
	}
	add(0, math.NaN(), math.Inf(1), -273.15, 1e308, -1e308, 5e-324)
	add(slices.Repeat([]float64{20}, 80)...)
	f.Fuzz(func(t *testing.T, data []byte, second int64, worth, days float64) {
		base := live(1, 90, 0.5, leak, step(1))
		var events []analysis.Event
		for i := 0; i+9 <= len(data); i += 9 {
			what, v := data[i], math.Float64frombits(binary.LittleEndian.Uint64(data[i+1:]))
			r := &base[i/9%len(base)]
			switch what % 10 {
			case 0:
				r.Point.ITT = v
			case 1:
				r.Point.OAT = v
			case 2:
				r.Point.Torque = v
			case 3:
				r.Point.Fuel = v
			case 4:
				r.Point.Np = v
			case 5:
				r.Hours = v
			case 6:
				r.At = r.At.Add(time.Duration(second) * time.Second)
			case 7:
				r.Included, r.Point.Ng = true, v
			case 8:
				r.Excluded = true
			default:
				events = append(events, analysis.Event{At: r.At, Hours: v, Kind: kinds[int(what/10)%len(kinds)]})
			}
		}
		r := analysis.Analyse(m, base, events, analysis.Rules{WorthITT: worth, FalseAdviceDays: days, NoiseITT: -worth, ProgrammeDays: int(second % 100), ProgrammeHours: int(second % 90)})
		finite(t, "fuzzed", r)
		for _, s := range r.Shifts {
			sum := 0.0
			for _, c := range s.Causes {
				sum += c.Probability
			}
			if math.Abs(sum-1) > 1e-9 {
				t.Errorf("probabilities sum to %v", sum)
			}
		}
	})
}
