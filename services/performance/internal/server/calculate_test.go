package server_test

import (
	"math"
	"strings"
	"testing"

	commonv1 "coldsection.example/proto/coldsection/common/v1"
	performancev1 "coldsection.example/proto/coldsection/performance/v1"
)

func near(t *testing.T, what string, got, want, tolerance float64) {
	t.Helper()
	if !(math.Abs(got-want) <= tolerance) {
		t.Errorf("%s is %.6f, want %.6f ± %g", what, got, want, tolerance)
	}
}

func trimming(shift, reference, junction *commonv1.Entered) *performancev1.CalculateTrimRequest {
	return &performancev1.CalculateTrimRequest{Name: modelName, Shift: shift, ReferenceTemperature: reference, JunctionTemperature: junction}
}

// Cases P-72 to P-74: 8 probes of 4 Ω at 700 °C, junction 25 °C: 100, 50 and 20 Ω across the harness show 696.66, 693.36 and
// 683.65 °C (Millman's theorem with NIST Monograph 175). In degrees Fahrenheit the answer is the same.
func TestTheTrimThatComesNearestWithoutGoingTooFar(t *testing.T) {
	benches(t, func(t *testing.T, b bench) {
		b.withModel(nil)
		got := of(b.CalculateTrim(b.as("technician"), trimming(in("-10", "Cel"), in("700", "Cel"), in("25", "Cel")))).done(t)
		trade := of(b.CalculateTrim(b.as("technician"), trimming(in("-18", "[degF]"), in("1292", "[degF]"), in("77", "[degF]")))).done(t)
		want := []float64{-3.34, -6.64, -16.35}
		for i, o := range got.GetOptions() {
			near(t, "shift of "+o.GetClass(), o.GetShift().GetValue(), want[i], 0.01)
			near(t, "the same in °F", trade.GetOptions()[i].GetShift().GetValue(), o.GetShift().GetValue(), 1e-9)
			if o.GetTooFar() != (i == 2) {
				t.Errorf("class %s: too far is %v", o.GetClass(), o.GetTooFar())
			}
		}
		if got.GetChosenClass() != "50" || trade.GetChosenClass() != "50" || len(got.GetCautions()) == 0 || got.GetModelRevision() != 1 {
			t.Errorf("%v", got)
		}
		if s := line(t, got.GetSteps(), "Indicated temperature"); !strings.HasSuffix(s.GetAlternateText(), "°F") || !strings.Contains(s.GetSource(), "Monograph 175") {
			t.Errorf("%v", s)
		}
		if s := line(t, got.GetSteps(), "Resistance of the chosen class"); !strings.Contains(s.GetSource(), "Trim table (demonstration only) revision A; engineModels/demo, revision 1") {
			t.Errorf("%v", s)
		}
		if len(got.GetOpenProbeReadings()) != 8 || got.GetOpenProbeReadings()[0].GetValue() >= line(t, got.GetSteps(), "Indicated temperature").GetValue() {
			t.Errorf("a broken probe with this trim reads cooler: %v", got.GetOpenProbeReadings())
		}
	})
}

// A person can redo the trim from the answer alone: voltages from the type K table of the answer, then Millman's sum.
func TestTheTrimCanBeRedoneByHand(t *testing.T) {
	benches(t, func(t *testing.T, b bench) {
		b.withModel(func(m *performancev1.EngineModel) {
			m.Trim.BranchThermocouple = true
			m.Trim.Classes = []*performancev1.TrimClass{{Id: "30", ResistanceOhm: 30}}
		})
		req := trimming(in("-12", "Cel"), in("700", "Cel"), in("25", "Cel"))
		of(b.CalculateTrim(b.analyst(), req)).refused(t, "TRIM_BRANCH_TEMPERATURE_MISSING")
		req.BranchTemperature = in("23", "[degF]") // −5 °C
		got := of(b.CalculateTrim(b.analyst(), req)).done(t)
		emf := func(celsius string) float64 {
			return of(b.ConvertThermocouple(b.analyst(), &performancev1.ConvertThermocoupleRequest{
				Known: &performancev1.ConvertThermocoupleRequest_Temperature{Temperature: in(celsius, "Cel")},
			})).done(t).GetVoltage().GetValue()
		}
		volts := (8*(emf("700")-emf("25"))/4 + (emf("-5")-emf("25"))/30) / (8.0/4 + 1.0/30)
		near(t, "voltage by hand", line(t, got.GetSteps(), "Voltage at the indicator").GetValue(), volts, 1e-9)
		// P-76: 688.54 °C (Millman; trim leg emf = E(−5) − E(25)).
		near(t, "P-76", line(t, got.GetSteps(), "Indicated temperature").GetValue(), 688.54, 0.05)
	})
}

func TestWhatATrimIsRefusedFor(t *testing.T) {
	benches(t, func(t *testing.T, b bench) {
		b.withModel(func(m *performancev1.EngineModel) { m.Trim.Topology = performancev1.TrimData_TOPOLOGY_UNSPECIFIED })
		for reason, req := range map[string]*performancev1.CalculateTrimRequest{
			"TRIM_TOPOLOGY_UNSET":      trimming(in("-10", "Cel"), in("700", "Cel"), in("25", "Cel")),
			"UNIT_MISMATCH":            trimming(in("-10", "Ohm"), in("700", "Cel"), in("25", "Cel")),
			"UNIT_UNKNOWN":             trimming(in("-10", "Cel"), in("700", "C"), in("25", "Cel")),
			"VALUE_NOT_A_NUMBER":       trimming(in("-10", "Cel"), in("NaN", "Cel"), in("25", "Cel")),
			"TRIM_SHIFT_IMPOSSIBLE":    trimming(in("10", "Cel"), in("700", "Cel"), in("25", "Cel")),
			"TEMPERATURE_OUT_OF_RANGE": trimming(in("-10", "Cel"), in("1500", "Cel"), in("25", "Cel")),
			"NOT_FOUND":                {Name: "engineModels/none", Shift: in("-1", "K"), ReferenceTemperature: in("700", "Cel"), JunctionTemperature: in("0", "Cel")},
		} {
			of(b.CalculateTrim(b.analyst(), req)).refused(t, reason)
		}
	})
}

// Case P-77 in the form of the reference rows htr-01 to htr-03: 28 V, 50 W: 15.68 Ω, 1.786 A; ±10 % and 24 to 29 V: 1.391 to 2.055 A.
func TestTheHeaterByItsRating(t *testing.T) {
	benches(t, func(t *testing.T, b bench) {
		b.withModel(nil)
		got := of(b.CalculateHeater(b.as("technician"), &performancev1.CalculateHeaterRequest{
			Name: modelName, Current: in("1,9", "A"), BusVoltage: in("28.5", "V"), Insulation: in("1.5", "MOhm"), Resistance: in("15.7", "Ohm"),
		})).done(t)
		for label, want := range map[string]float64{"Resistance when hot": 15.68, "Current at the rated voltage": 1.786, "Lowest current": 1.391, "Highest current": 2.055} {
			near(t, label, line(t, got.GetSteps(), label).GetValue(), want, 1e-3)
		}
		verdicts := map[string]string{}
		for _, f := range got.GetFindings() {
			verdicts[f.GetItem()] = f.GetVerdict().String()
		}
		if verdicts["current"] != "WITHIN" || verdicts["insulation"] != "OUTSIDE" || verdicts["resistance"] != "WITHIN" {
			t.Errorf("%v", got.GetFindings())
		}
		if !strings.Contains(got.GetCautions()[0], "burns") {
			t.Errorf("the heater burns, and that comes first: %q", got.GetCautions())
		}
		unsaid := of(b.CalculateHeater(b.analyst(), &performancev1.CalculateHeaterRequest{Name: modelName, Current: in("1.9", "A")})).done(t)
		if f := unsaid.GetFindings()[0]; f.GetVerdict() != performancev1.HeaterFinding_CANNOT_JUDGE || f.GetNormalised() != nil || f.GetReason() == "" {
			t.Errorf("a current without its bus voltage can't be judged: %v", f)
		}
		of(b.CalculateHeater(b.analyst(), &performancev1.CalculateHeaterRequest{Name: modelName, Current: in("-1", "A")})).refused(t, "HEATER_MEASUREMENT_INVALID")
		of(b.CalculateHeater(b.analyst(), &performancev1.CalculateHeaterRequest{Name: modelName, Current: in("1", "V")})).refused(t, "UNIT_MISMATCH")
	})
}

func TestAHeaterWithoutDataIsRefused(t *testing.T) {
	benches(t, func(t *testing.T, b bench) {
		b.withModel(func(m *performancev1.EngineModel) { m.Heater = nil })
		of(b.CalculateHeater(b.analyst(), &performancev1.CalculateHeaterRequest{Name: modelName})).refused(t, "HEATER_DATA_MISSING")
	})
}

// Cases P-65 and P-70: 700 °C is 29.129 mV, 33.275 mV is 799.99 °C (NIST Monograph 175).
func TestTheThermocoupleBothWays(t *testing.T) {
	benches(t, func(t *testing.T, b bench) {
		hot := of(b.ConvertThermocouple(b.as("viewer"), &performancev1.ConvertThermocoupleRequest{
			Known: &performancev1.ConvertThermocoupleRequest_Temperature{Temperature: in("1292", "[degF]")},
		})).done(t)
		near(t, "P-65", hot.GetVoltage().GetValue(), 29.129, 0.0015)
		back := of(b.ConvertThermocouple(b.as("viewer"), &performancev1.ConvertThermocoupleRequest{
			Known: &performancev1.ConvertThermocoupleRequest_Voltage{Voltage: in("33.275", "mV")},
		})).done(t)
		near(t, "P-70", back.GetTemperature().GetValue(), 799.99, 0.05)
		at25 := of(b.ConvertThermocouple(b.as("viewer"), &performancev1.ConvertThermocoupleRequest{
			Known: &performancev1.ConvertThermocoupleRequest_Voltage{Voltage: in("28.129", "mV")}, JunctionTemperature: in("25", "Cel"),
		})).done(t)
		near(t, "with the junction's 1.000 mV added", at25.GetTemperature().GetValue(), 700, 0.05)
		of(b.ConvertThermocouple(b.analyst(), &performancev1.ConvertThermocoupleRequest{})).refused(t, "FIELD_INVALID")
		of(b.ConvertThermocouple(b.analyst(), &performancev1.ConvertThermocoupleRequest{
			Known: &performancev1.ConvertThermocoupleRequest_Temperature{Temperature: in("-273.15", "Cel")},
		})).refused(t, "TEMPERATURE_OUT_OF_RANGE")
		of(b.ConvertThermocouple(b.analyst(), &performancev1.ConvertThermocoupleRequest{
			Known: &performancev1.ConvertThermocoupleRequest_Voltage{Voltage: in("99", "mV")},
		})).refused(t, "TEMPERATURE_OUT_OF_RANGE")
	})
}
