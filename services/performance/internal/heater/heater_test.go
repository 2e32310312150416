package heater

import (
	"math"
	"strings"
	"testing"

	"coldsection.example/services/platform/fault"
)

func near(t *testing.T, what string, got, want, tolerance float64) {
	t.Helper()
	if !(math.Abs(got-want) <= tolerance) {
		t.Errorf("%s = %.9g, want %g", what, got, want)
	}
}

// Ohm's and Joule's laws, computed by hand and in Python.
func TestFigures(t *testing.T) {
	f, err := Data{Power: 100, Voltage: 28}.Expect()
	if err != nil {
		t.Fatal(err)
	}
	near(t, "R", f.Resistance, 7.84, 1e-9)
	near(t, "I", f.Current, 3.571, 1e-3)
	f, err = Data{Power: 50, Voltage: 28, Tolerance: 10, MinBus: 24, MaxBus: 29}.Expect()
	if err != nil {
		t.Fatal(err)
	}
	near(t, "R", f.Resistance, 15.68, 1e-9)
	near(t, "lowest current", f.CurrentWindow.Low, 1.39147, 1e-5)
	near(t, "highest current", f.CurrentWindow.High, 2.05499, 1e-5)
	near(t, "lowest resistance", f.ResistanceWindow.Low, 14.112, 1e-9)
	cold, err := Data{Power: 50, Voltage: 28, Coefficient: 0.0004, HotTemperature: 180}.ResistanceAt(15.68, 20)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "cold resistance", cold, 14.7368421053, 1e-9)
}

var rated = Data{Power: 50, Voltage: 28, Tolerance: 10, MinInsulation: 2, Coefficient: 0.0004, HotTemperature: 180, MinBus: 24, MaxBus: 29}

func TestVerdicts(t *testing.T) {
	for name, c := range map[string]struct {
		change func(*Data, *Measurement)
		item   string
		want   Verdict
		value  float64
	}{
		"cold resistance within":     {func(_ *Data, m *Measurement) { m.Resistance, m.Temperature = 14.7368421053, 20 }, "resistance", Within, 15.68},
		"resistance outside":         {func(_ *Data, m *Measurement) { m.Resistance, m.Temperature = 17, 20 }, "resistance", Outside, 18.088},
		"no temperature":             {func(_ *Data, m *Measurement) { m.Resistance = 15 }, "resistance", CannotJudge, 0},
		"no coefficient":             {func(d *Data, m *Measurement) { d.Coefficient, m.Resistance = 0, 15 }, "resistance", Within, 15},
		"no tolerance":               {func(d *Data, m *Measurement) { d.Tolerance, m.Resistance = 0, 15 }, "resistance", CannotJudge, 0},
		"open circuit":               {func(_ *Data, m *Measurement) { m.Resistance, m.Temperature = 1e8, 20 }, "resistance", Outside, 1.064e8},
		"current within":             {func(_ *Data, m *Measurement) { m.Current, m.Bus = 1.66, 26 }, "current", Within, 1.7876923},
		"current outside":            {func(_ *Data, m *Measurement) { m.Current, m.Bus = 1.2, 26 }, "current", Outside, 1.2923077},
		"current without voltage":    {func(_ *Data, m *Measurement) { m.Current = 1.78 }, "current", CannotJudge, 0},
		"bus outside its range":      {func(_ *Data, m *Measurement) { m.Current, m.Bus = 1.78, 31 }, "current", CannotJudge, 0},
		"bus dead":                   {func(_ *Data, m *Measurement) { m.Current, m.Bus = 0, 0 }, "current", CannotJudge, 0},
		"insulation within":          {func(_ *Data, m *Measurement) { m.Insulation = 2 }, "insulation", Within, 2},
		"insulation outside":         {func(_ *Data, m *Measurement) { m.Insulation = 1.9 }, "insulation", Outside, 1.9},
		"insulation without a limit": {func(d *Data, m *Measurement) { d.MinInsulation, m.Insulation = 0, 100 }, "insulation", CannotJudge, 0},
	} {
		d, m := rated, Nothing()
		c.change(&d, &m)
		list, err := d.Judge(m)
		if err != nil || len(list) != 1 {
			t.Errorf("%s: %+v (%v)", name, list, err)
			continue
		}
		if got := list[0]; got.Item != c.item || got.Verdict != c.want || got.Reason == "" {
			t.Errorf("%s: %+v", name, got)
		}
		near(t, name, list[0].Normalised, c.value, 1e-4*math.Max(1, c.value))
	}
	if list, err := rated.Judge(Nothing()); err != nil || len(list) != 0 {
		t.Errorf("nothing measured: %+v (%v)", list, err)
	}
}

func TestRefusals(t *testing.T) {
	for name, c := range map[string]struct {
		data   Data
		change func(*Measurement)
		reason string
	}{
		"no rating":       {Data{Voltage: 28}, func(*Measurement) {}, "HEATER_DATA_MISSING"},
		"NaN rating":      {Data{Power: math.NaN(), Voltage: 28}, func(*Measurement) {}, "HEATER_DATA_INVALID"},
		"bus range":       {Data{Power: 50, Voltage: 28, MinBus: 30}, func(*Measurement) {}, "HEATER_DATA_INVALID"},
		"wide tolerance":  {Data{Power: 50, Voltage: 28, Tolerance: 100}, func(*Measurement) {}, "HEATER_DATA_INVALID"},
		"negative":        {rated, func(m *Measurement) { m.Resistance = -1 }, "HEATER_MEASUREMENT_INVALID"},
		"infinite":        {rated, func(m *Measurement) { m.Insulation = math.Inf(1) }, "HEATER_MEASUREMENT_INVALID"},
		"impossible bus":  {rated, func(m *Measurement) { m.Bus = 1e5 }, "HEATER_MEASUREMENT_INVALID"},
		"absolute zero":   {rated, func(m *Measurement) { m.Temperature = -273.15 }, "HEATER_MEASUREMENT_INVALID"},
		"current of NaNs": {Data{Power: 50, Voltage: math.Inf(1)}, func(m *Measurement) { m.Current = 1 }, "HEATER_DATA_INVALID"},
	} {
		m := Nothing()
		c.change(&m)
		if list, err := c.data.Judge(m); !fault.HasReason(err, c.reason) {
			t.Errorf("%s: %+v, %v", name, list, err)
		}
	}
	if _, err := rated.ResistanceAt(15, math.NaN()); !fault.HasReason(err, "HEATER_DATA_INVALID") {
		t.Error(err)
	}
}

func TestDeadAndCoolComesFirst(t *testing.T) {
	all := strings.Join(Cautions(), " ")
	for _, word := range []string{"cool", "power off", "isolate", "dead", "still air", "approved maintenance data"} {
		if !strings.Contains(all, word) {
			t.Errorf("no caution says %q", word)
		}
	}
}

func FuzzNothingInfiniteComesOut(f *testing.F) {
	f.Add(50.0, 28.0, 10.0, 0.0004, 180.0, 24.0, 15.0, 20.0, 1.7, 28.0)
	f.Add(math.NaN(), 1e-300, 100.0, -1.0, math.Inf(1), 1e300, -1.0, -273.15, 0.0, 0.0)
	f.Fuzz(func(t *testing.T, power, voltage, tolerance, coefficient, hot, bus, resistance, temperature, current, fed float64) {
		d := Data{Power: power, Voltage: voltage, Tolerance: tolerance, Coefficient: coefficient, HotTemperature: hot, MinBus: bus, MinInsulation: 1}
		e, _ := d.Expect()
		at, _ := d.ResistanceAt(resistance, temperature)
		values := []float64{e.Resistance, e.Current, e.ResistanceWindow.Low, e.ResistanceWindow.High, e.CurrentWindow.Low, e.CurrentWindow.High, at}
		list, _ := d.Judge(Measurement{resistance, temperature, current, fed, resistance})
		for _, x := range list {
			values = append(values, x.Normalised, x.Window.Low, x.Window.High)
		}
		for _, v := range values {
			if math.IsNaN(v) || math.IsInf(v, 0) {
				t.Errorf("%v", values)
			}
		}
	})
}

// The bounds of data and of measurements belong to what is taken, and nothing beyond them is (the package's own rule).
func TestTheBoundsBelongToWhatIsTaken(t *testing.T) {
	for name, c := range map[string]struct {
		set       func(*Data, float64)
		low, high float64
	}{
		"rated power":           {func(d *Data, v float64) { d.Power = v }, 0.01, 1e5},
		"rated voltage":         {func(d *Data, v float64) { d.Voltage, d.MinBus, d.MaxBus = v, 0, 0 }, 0.1, 1e4},
		"tolerance":             {func(d *Data, v float64) { d.Tolerance = v }, 0, 50},
		"least insulation":      {func(d *Data, v float64) { d.MinInsulation = v }, 0, 1e6},
		"coefficient":           {func(d *Data, v float64) { d.Coefficient = v }, -0.001, 0.01},
		"hot temperature":       {func(d *Data, v float64) { d.HotTemperature = v }, -100, 1000},
		"lowest bus voltage":    {func(d *Data, v float64) { d.MinBus = v }, 0.1, 29},
		"highest bus voltage":   {func(d *Data, v float64) { d.MaxBus = v }, 24, 1e4},
		"resistance, measured":  {nil, 0, 1e9},
		"temperature, measured": {nil, -100, 1000},
		"current, measured":     {nil, 0, 1e5},
		"bus, measured":         {nil, 0, 1e4},
		"insulation, measured":  {nil, 0, 1e9},
	} {
		for v, good := range map[float64]bool{c.low: true, c.high: true, math.Nextafter(c.low, math.Inf(-1)): false, math.Nextafter(c.high, math.Inf(1)): false} {
			d, m, reason := rated, Nothing(), "HEATER_DATA_INVALID"
			if c.set != nil {
				c.set(&d, v)
			} else {
				reason = "HEATER_MEASUREMENT_INVALID"
				*map[string]*float64{"re": &m.Resistance, "te": &m.Temperature, "cu": &m.Current, "bu": &m.Bus, "in": &m.Insulation}[name[:2]] = v
			}
			if _, err := d.Judge(m); good && err != nil || !good && !fault.HasReason(err, reason) {
				t.Errorf("%s of %v: %v, to be taken: %t", name, v, err, good)
			}
		}
	}
}

// A linear coefficient is not carried further than to a twentieth of the resistance: there nothing is judged, and a value just on the edge of its
// window is within it.
func TestWhatIsTooFarOrOnTheEdge(t *testing.T) {
	d := Data{Power: 50, Voltage: 28, Tolerance: 10, Coefficient: 0.01, HotTemperature: 20}
	for temperature, known := range map[float64]bool{114: true, 116: false, 300: false} { // 1 + 0.01·(20 − 115) is 0.05
		_, err := d.ResistanceAt(1, temperature)
		list, judged := d.Judge(Measurement{Resistance: 1, Temperature: temperature, Current: math.NaN(), Bus: math.NaN(), Insulation: math.NaN()})
		if judged != nil || (err == nil) != known || (list[0].Verdict != CannotJudge) != known || !known && !strings.Contains(list[0].Reason, "too far") {
			t.Errorf("at %g °C: %+v, %v, %v", temperature, list, err, judged)
		}
	}
	for _, beyond := range []struct{ resistance, t float64 }{{1, -100}, {1, 1000}, {-1, 20}, {1.0001e9, 20}} {
		if r, err := (Data{Power: 50, Voltage: 28}).ResistanceAt(beyond.resistance, beyond.t); !fault.HasReason(err, "HEATER_DATA_INVALID") || r != 0 {
			t.Errorf("%+v: %g, %v", beyond, r, err)
		}
	}
	for _, edge := range []float64{0, 1e9} {
		if r, err := (Data{Power: 50, Voltage: 28}).ResistanceAt(edge, 999); err != nil || r != edge {
			t.Errorf("%g Ω: %g, %v", edge, r, err)
		}
	}
	if _, err := (Data{Voltage: 28}).ResistanceAt(1, 20); !fault.HasReason(err, "HEATER_DATA_MISSING") {
		t.Errorf("without a power: %v", err)
	}
	w := Window{1, 2}
	if !w.has(1) || !w.has(2) || w.has(0.999) || w.has(2.001) {
		t.Error("the edges of a window belong to it")
	}
	steady := Data{Power: 50, Voltage: 28, Tolerance: 10, MinBus: 24, MaxBus: 29}
	for bus, verdict := range map[float64]Verdict{24: Within, 29: Within, 23.9: CannotJudge, 29.1: CannotJudge} {
		list, err := steady.Judge(Measurement{math.NaN(), math.NaN(), 1.7857 * bus / 28, bus, math.NaN()})
		if err != nil || list[0].Verdict != verdict {
			t.Errorf("fed with %g V: %+v, %v", bus, list, err)
		}
	}
	open := Data{Power: 50, Voltage: 28, Tolerance: 10} // without a range, half the rated voltage is the least that says anything
	for bus, verdict := range map[float64]Verdict{14: Within, 13.9: CannotJudge, 0: CannotJudge, 60: Within} {
		list, err := open.Judge(Measurement{math.NaN(), math.NaN(), 1.7857 * bus / 28, bus, math.NaN()})
		if err != nil || list[0].Verdict != verdict {
			t.Errorf("fed with %g V of 28: %+v, %v", bus, list, err)
		}
	}
	list, err := Data{Power: 50, Voltage: 28}.Judge(Measurement{math.NaN(), math.NaN(), 1.78, 28, math.NaN()})
	if err != nil || list[0].Verdict != CannotJudge || list[0].Reason != "The engine model gives no tolerance." {
		t.Errorf("%+v, %v", list, err)
	}
}
