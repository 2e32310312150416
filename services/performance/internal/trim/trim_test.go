package trim_test

import (
	"math"
	"strings"
	"testing"

	"coldsection.example/services/performance/internal/trim"
	"coldsection.example/services/platform/fault"
)

func across(ohm float64) trim.Branch {
	return trim.Branch{Topology: trim.Across, Resistance: ohm}
}

// Millman's theorem with the reference function of NIST Monograph 175, computed in Python.
func TestIndicatedTemperature(t *testing.T) {
	none := trim.Branch{Topology: trim.Absent}
	spread := trim.Harness{Junction: 25}
	for _, temperature := range []float64{650, 680, 700, 710, 720, 700, 690, 705} {
		spread.Probes = append(spread.Probes, trim.Probe{Temperature: temperature, Leg: 2.4})
	}
	broken := trim.Equal(8, 2.4, 700, 25)
	broken.Probes[3].Open = true
	for name, c := range map[string]struct {
		harness trim.Harness
		branch  trim.Branch
		want    float64
	}{
		"8 × 4 Ω, 100 Ω":               {trim.Equal(8, 4, 700, 25), across(100), 696.66},
		"8 × 4 Ω, 50 Ω":                {trim.Equal(8, 4, 700, 25), across(50), 693.36},
		"8 × 4 Ω, 20 Ω":                {trim.Equal(8, 4, 700, 25), across(20), 683.65},
		"8 × 4 Ω, no trim":             {trim.Equal(8, 4, 700, 25), none, 700},
		"trim thermocouple at −5 °C":   {trim.Equal(8, 4, 700, 25), trim.Branch{Topology: trim.Across, Resistance: 30, Thermocouple: true, Temperature: -5}, 688.54},
		"8 × 2.4 Ω, 12 Ω":              {trim.Equal(8, 2.4, 700, 25), across(12), 683.649998762},
		"unequal probes":               {spread, none, 694.338450969},
		"one probe open, 12 Ω":         {broken, across(12), 681.382959389},
		"trim thermocouple at 350 °C":  {trim.Equal(8, 2.4, 700, 25), trim.Branch{Topology: trim.Across, Resistance: 3, Thermocouple: true, Temperature: 350}, 667.902722761},
		"one probe open without trim":  {broken, none, 700},
		"in line, nothing drawn":       {trim.Equal(8, 2.4, 700, 25), trim.Branch{Topology: trim.InLine, Resistance: 12}, 700},
		"across is in line to a load":  {loaded(12), none, 683.649998762}, // the load alone does what a trim across of its size does
		"in line with a load of 100 Ω": {loaded(100), trim.Branch{Topology: trim.InLine, Resistance: 7}, 654.51},
	} {
		got, err := c.harness.Indicated(c.branch)
		tolerance := 1e-5
		if math.Round(c.want*100)/100 == c.want {
			tolerance = 0.005
		}
		if name == "in line with a load of 100 Ω" {
			tolerance = 0.05 // by hand: 28.1287 mV·100/(100+7+0.3) + E(25) = 27.2153 mV, between the table's 27.025 at 650 and 27.447 at 660 °C
		}
		if err != nil || math.Abs(got.Indicated-c.want) > tolerance {
			t.Errorf("%s: %.6f °C, want %g (%v)", name, got.Indicated, c.want, err)
		}
	}
	if got, _ := trim.Equal(8, 2.4, 700, 25).Indicated(none); math.Abs(got.Millivolts-28.1287314968) > 1e-9 {
		t.Errorf("harness voltage %.10f mV", got.Millivolts)
	}
}

func loaded(ohm float64) trim.Harness {
	h := trim.Equal(8, 2.4, 700, 25)
	h.Load = ohm
	return h
}

// R = (r/n)·V/(E − V), computed in Python: −12 °C at 700 °C takes 16.465 Ω.
func TestResistanceForAShift(t *testing.T) {
	h := trim.Equal(8, 2.4, 700, 25)
	if r, err := h.ResistanceFor(trim.Branch{Topology: trim.Across}, -12); err != nil || math.Abs(r-16.4653682906) > 1e-5 {
		t.Errorf("%.7f Ω (%v)", r, err)
	}
	own := trim.Branch{Topology: trim.Across, Thermocouple: true, Temperature: -5}
	line := loaded(100)
	for _, shift := range []float64{-0.5, -3, -12, -40} {
		for _, c := range []struct {
			harness trim.Harness
			branch  trim.Branch
		}{{h, trim.Branch{Topology: trim.Across}}, {h, own}, {line, trim.Branch{Topology: trim.InLine}}, {line, trim.Branch{Topology: trim.Across}}} {
			r, err := c.harness.ResistanceFor(c.branch, shift)
			if err != nil {
				t.Fatal(shift, c.branch, err)
			}
			c.branch.Resistance = r
			got, err := trim.Shift(c.harness, c.branch)
			if err != nil || math.Abs(got-shift) > 1e-6 {
				t.Errorf("%.4f Ω shifts by %.7f, want %g (%v)", r, got, shift, err)
			}
		}
	}
}

func TestOpenLegs(t *testing.T) {
	h := trim.Equal(8, 2.4, 700, 25)
	list, err := h.OpenLegs(across(12))
	if err != nil || len(list) != 8 {
		t.Fatal(list, err)
	}
	for _, r := range list {
		if math.Abs(r.Indicated-681.382959389) > 1e-5 { // as above: a broken leg hides as a cooler engine
			t.Errorf("%+v", r)
		}
	}
	if list, err := trim.Equal(1, 2.4, 700, 25).OpenLegs(across(12)); err != nil || list != nil {
		t.Errorf("one leg: %v %v", list, err)
	}
}

func TestChoice(t *testing.T) {
	h := trim.Equal(8, 2.4, 700, 25)
	classes := []trim.Class{{"A", 10, 0.1}, {"B", 15, 0.15}, {"C", 18, 0.18}, {"D", 27, 0.27}, {"E", 47, 0.5}}
	best, options, err := trim.Choose(h, trim.Branch{Topology: trim.Across}, classes, trim.Wanted{Shift: -12, Reference: 700, Range: []float64{600, 750}})
	if err != nil || len(options) != 5 {
		t.Fatal(options, err)
	}
	// −12 °C takes 16.465 Ω, so 18 Ω is the nearest that does not shift further; 15 Ω would be nearer on the unsafe side
	if options[best].Class.ID != "C" || !options[1].TooFar || options[2].TooFar {
		t.Errorf("chose %+v of %+v", options[best], options)
	}
	for i, o := range options {
		if !(o.Low < o.Shift && o.Shift < o.High && o.Shift < 0 && o.WorstError >= math.Abs(o.Shift+12)) {
			t.Errorf("option %d: %+v", i, o)
		}
	}
	if _, _, err := trim.Choose(h, trim.Branch{Topology: trim.Across}, classes[:2], trim.Wanted{Shift: -3, Reference: 700}); !fault.HasReason(err, "TRIM_NO_CLASS") {
		t.Errorf("only resistors that shift too far: %v", err)
	}
}

func TestRefusals(t *testing.T) {
	good := trim.Equal(8, 2.4, 700, 25)
	classes := []trim.Class{{"A", 10, 0.1}}
	for name, c := range map[string]struct {
		err    error
		reason string
	}{
		"no topology":     {second(good.Indicated(trim.Branch{Resistance: 12})), "TRIM_TOPOLOGY_UNSET"},
		"no resistance":   {second(good.Indicated(trim.Branch{Topology: trim.Across})), "TRIM_RESISTANCE_INVALID"},
		"no probes":       {second(trim.Harness{}.Indicated(across(12))), "HARNESS_INVALID"},
		"no legs":         {second(trim.Equal(8, 0, 700, 25).Indicated(across(12))), "HARNESS_INVALID"},
		"too hot":         {second(trim.Equal(8, 2, 1400, 25).Indicated(across(12))), "TEMPERATURE_OUT_OF_RANGE"},
		"junction":        {second(trim.Equal(8, 2, 700, math.NaN()).Indicated(across(12))), "TEMPERATURE_OUT_OF_RANGE"},
		"load":            {second(loaded(math.Inf(1)).Indicated(across(12))), "HARNESS_INVALID"},
		"upward":          {third(good.ResistanceFor(trim.Branch{Topology: trim.Across}, 5)), "TRIM_SHIFT_IMPOSSIBLE"},
		"too far down":    {third(good.ResistanceFor(trim.Branch{Topology: trim.InLine}, -5)), "TRIM_SHIFT_IMPOSSIBLE"},
		"thermocouple":    {second(good.Indicated(trim.Branch{Topology: trim.InLine, Resistance: 5, Thermocouple: true})), "TRIM_TOPOLOGY_UNSET"},
		"no classes":      {fourth(trim.Choose(good, across(0), nil, trim.Wanted{Shift: -5, Reference: 700})), "TRIM_CLASSES_MISSING"},
		"upward choice":   {fourth(trim.Choose(good, across(0), classes, trim.Wanted{Shift: 5, Reference: 700})), "TRIM_SHIFT_IMPOSSIBLE"},
		"wide tolerance":  {fourth(trim.Choose(good, across(0), []trim.Class{{"A", 10, 10}}, trim.Wanted{Shift: -5, Reference: 700})), "TRIM_RESISTANCE_INVALID"},
		"range too large": {fourth(trim.Choose(good, across(0), classes, trim.Wanted{Shift: -5, Reference: 700, Range: []float64{2000}})), "TEMPERATURE_OUT_OF_RANGE"},
	} {
		if !fault.HasReason(c.err, c.reason) {
			t.Errorf("%s: %v, want %s", name, c.err, c.reason)
		}
	}
}

func second(_ trim.Reading, err error) error         { return err }
func third(_ float64, err error) error               { return err }
func fourth(_ int, _ []trim.Option, err error) error { return err }

func FuzzNothingInfiniteComesOut(f *testing.F) {
	f.Add(uint8(8), 2.4, 700.0, 25.0, 12.0, 0.0, -5.0, -12.0, uint8(2))
	f.Add(uint8(0), 0.0, math.Inf(1), math.NaN(), 1e-300, 1e300, 0.0, 5.0, uint8(7))
	f.Fuzz(func(t *testing.T, probes uint8, leg, temperature, junction, ohm, load, own, shift float64, topology uint8) {
		h := trim.Equal(int(probes), leg, temperature, junction)
		h.Load = load
		b := trim.Branch{Topology: trim.Topology(topology % 5), Resistance: ohm, Thermocouple: topology%2 == 1, Temperature: own}
		one, _ := h.Indicated(b)
		values := []float64{one.Millivolts, one.Indicated}
		r, _ := h.ResistanceFor(b, shift)
		s, _ := trim.Shift(h, b)
		values = append(values, r, s)
		list, _ := h.OpenLegs(b)
		for _, r := range list {
			values = append(values, r.Indicated, r.Millivolts)
		}
		_, options, err := trim.Choose(h, b, []trim.Class{{"x", ohm, load}}, trim.Wanted{Shift: shift, Reference: temperature, Range: []float64{own}})
		for _, o := range options {
			if err == nil {
				values = append(values, o.Shift, o.Low, o.High, o.WorstError)
			}
		}
		for _, v := range values {
			if math.IsNaN(v) || math.IsInf(v, 0) {
				t.Errorf("%v", values)
			}
		}
	})
}

// The bounds of resistances belong to what is taken; a harness has 64 thermocouples at most, and a refusal names the one that is wrong.
func TestTheBoundsBelongToWhatIsTaken(t *testing.T) {
	up, down := func(v float64) float64 { return math.Nextafter(v, math.Inf(1)) }, func(v float64) float64 { return math.Nextafter(v, 0) }
	leg := func(ohm float64) trim.Harness { return trim.Equal(2, ohm, 700, 25) }
	none := trim.Branch{Topology: trim.Absent}
	for name, c := range map[string]struct {
		harness trim.Harness
		branch  trim.Branch
		reason  string
	}{
		"least leg": {leg(1e-3), none, ""}, "most of a leg": {leg(1e9), none, ""},
		"a leg below": {leg(down(1e-3)), none, "HARNESS_INVALID"}, "a leg above": {leg(up(1e9)), none, "HARNESS_INVALID"},
		"least load": {loaded(1e-3), none, ""}, "most load": {loaded(1e9), none, ""},
		"a load below": {loaded(down(1e-3)), none, "HARNESS_INVALID"}, "a load above": {loaded(up(1e9)), none, "HARNESS_INVALID"},
		"least trim": {leg(2), across(1e-3), ""}, "most of a trim": {leg(2), across(1e9), ""},
		"a trim below": {leg(2), across(down(1e-3)), "TRIM_RESISTANCE_INVALID"}, "a trim above": {leg(2), across(up(1e9)), "TRIM_RESISTANCE_INVALID"},
		"64 thermocouples": {trim.Equal(64, 2, 700, 25), none, ""}, "65 are made 64": {trim.Equal(65, 2, 700, 25), none, ""},
		"65 thermocouples":          {trim.Harness{Probes: append(trim.Equal(64, 2, 700, 25).Probes, trim.Probe{Temperature: 700, Leg: 2})}, none, "HARNESS_INVALID"},
		"trim thermocouple too hot": {leg(2), trim.Branch{Topology: trim.Across, Resistance: 5, Thermocouple: true, Temperature: 1400}, "TEMPERATURE_OUT_OF_RANGE"},
		"junction too cold":         {trim.Equal(2, 2, 700, -271), none, "TEMPERATURE_OUT_OF_RANGE"},
		"every one broken":          {trim.Harness{Probes: []trim.Probe{{Temperature: 700, Leg: 2, Open: true}}}, none, "HARNESS_INVALID"},
	} {
		if _, err := c.harness.Indicated(c.branch); c.reason == "" && err != nil || c.reason != "" && !fault.HasReason(err, c.reason) {
			t.Errorf("%s: %v, want %q", name, err, c.reason)
		}
	}
	third := trim.Equal(3, 2, 700, 25)
	third.Probes[2].Leg = 0
	if _, err := third.Indicated(none); err == nil || !strings.Contains(err.Error(), "The leg of thermocouple 3 has 0 Ω; a leg has a resistance from 0.001 Ω") {
		t.Errorf("%v", err)
	}
}

// A shift that no resistance makes is refused with the reason, and one that is made comes back through Shift; a harness of one has no list of breaks.
func TestShiftsThatNothingMakes(t *testing.T) {
	h := trim.Equal(8, 2.4, 700, 25)
	for name, err := range map[string]error{
		"nothing":                     third(h.ResistanceFor(trim.Branch{Topology: trim.Across}, 0)),
		"there is no trim":            third(h.ResistanceFor(trim.Branch{Topology: trim.Absent}, -5)),
		"below what its own has":      third(h.ResistanceFor(trim.Branch{Topology: trim.Across, Thermocouple: true, Temperature: 690}, -20)),
		"above the largest of trims":  third(h.ResistanceFor(trim.Branch{Topology: trim.Across}, -1e-9)),
		"in line to what draws none":  third(h.ResistanceFor(trim.Branch{Topology: trim.InLine}, -5)),
		"less than the load does now": third(loaded(0).ResistanceFor(trim.Branch{Topology: trim.InLine}, -1)),
		"300 °C are too many":         fourth(trim.Choose(h, across(0), []trim.Class{{"A", 10, 0}}, trim.Wanted{Shift: -300, Reference: 700})),
		"a choice of nothing":         fourth(trim.Choose(h, across(0), []trim.Class{{"A", 10, 0}}, trim.Wanted{Shift: 0, Reference: 700})),
	} {
		if !fault.HasReason(err, "TRIM_SHIFT_IMPOSSIBLE") {
			t.Errorf("%s: %v", name, err)
		}
	}
	for name, err := range map[string]error{
		"no harness":                third(trim.Harness{}.ResistanceFor(trim.Branch{Topology: trim.Across}, -5)),
		"no harness to choose for":  fourth(trim.Choose(trim.Harness{}, across(0), []trim.Class{{"A", 10, 0}}, trim.Wanted{Shift: -5, Reference: 700})),
		"none left with one broken": sixth(trim.Harness{Probes: []trim.Probe{{Temperature: 700, Leg: 2}, {Temperature: 700, Leg: 2}}, Load: -1}.OpenLegs(trim.Branch{Topology: trim.Absent})),
	} {
		if !fault.HasReason(err, "HARNESS_INVALID") {
			t.Errorf("%s: %v", name, err)
		}
	}
	if err := third(h.ResistanceFor(trim.Branch{Topology: trim.Across}, -971)); !fault.HasReason(err, "TEMPERATURE_OUT_OF_RANGE") {
		t.Errorf("below −270 °C: %v", err)
	}
	if list, err := trim.Equal(1, 2, 700, 25).OpenLegs(trim.Branch{Topology: trim.Absent}); list != nil || err != nil {
		t.Errorf("a harness of one: %v, %v", list, err)
	}
	two := trim.Equal(3, 2, 700, 25)
	two.Probes[1].Open = true
	list, err := two.OpenLegs(trim.Branch{Topology: trim.Absent})
	if err != nil || len(list) != 3 || list[1] != (trim.Reading{}) || math.Abs(list[0].Indicated-700) > 1e-6 || math.Abs(list[2].Indicated-700) > 1e-6 {
		t.Errorf("one of three is broken already: %+v, %v", list, err)
	}
	for _, topology := range []trim.Topology{trim.Across, trim.InLine} {
		with := h
		with.Load = 100
		r, err := with.ResistanceFor(trim.Branch{Topology: topology}, -7.5)
		if err != nil {
			t.Fatal(err)
		}
		if got, err := trim.Shift(with, trim.Branch{Topology: topology, Resistance: r}); err != nil || math.Abs(got+7.5) > 1e-6 {
			t.Errorf("%v with %g Ω shifts %g °C, %v", topology, r, got, err)
		}
	}
}

// A resistor that shifts exactly as wanted is not too far, and its tolerance is looked at on both sides.
func TestTheWantedShiftItself(t *testing.T) {
	h := trim.Equal(8, 2.4, 700, 25)
	exact, err := h.ResistanceFor(trim.Branch{Topology: trim.Across}, -12)
	if err != nil {
		t.Fatal(err)
	}
	best, options, err := trim.Choose(h, across(0), []trim.Class{{"far", exact * 0.99, 0}, {"exact", exact, 0}, {"wide", exact * 1.01, 1}}, trim.Wanted{Shift: -12, Reference: 700})
	if err != nil || best != 1 || !options[0].TooFar || options[1].TooFar || options[1].Low != options[1].High || math.Abs(options[1].Shift+12) > 1e-9 || options[1].WorstError > 1e-9 {
		t.Errorf("%d of %+v, %v", best, options, err)
	}
	for ohm, want := range map[float64]float64{exact*1.01 - 1: options[2].Low, exact*1.01 + 1: options[2].High} {
		if got, err := trim.Shift(h, across(ohm)); err != nil || math.Abs(got-want) > 1e-12 {
			t.Errorf("%g Ω shift %g °C, the option says %g (%v)", ohm, got, want, err)
		}
	}
	for name, tolerance := range map[string]float64{"negative": -0.1, "as large as it": exact, "no number": math.NaN()} {
		if err := fourth(trim.Choose(h, across(0), []trim.Class{{"A", exact, tolerance}}, trim.Wanted{Shift: -12, Reference: 700})); !fault.HasReason(err, "TRIM_RESISTANCE_INVALID") {
			t.Errorf("a tolerance that is %s: %v", name, err)
		}
	}
}

func sixth(_ []trim.Reading, err error) error { return err }
