package server_test

import (
	"math"
	"strings"
	"testing"

	"google.golang.org/protobuf/types/known/fieldmaskpb"
	"google.golang.org/protobuf/types/known/timestamppb"

	commonv1 "coldsection.example/proto/coldsection/common/v1"
	performancev1 "coldsection.example/proto/coldsection/performance/v1"
)

// read takes one reading in: trade units, as a cockpit has them.
func (b bench) read(id string, change func(*performancev1.Reading)) answer[*performancev1.Reading] {
	b.t.Helper()
	r := &performancev1.Reading{
		ReadTime: timestamppb.New(morning.Add(-1)), PressureAltitude: in("6000", "[ft_i]"), Oat: in("41", "[degF]"), Airspeed: in("150", "[kn_i]"),
		Torque: in("1300", "[ft_i].[lbf_av]"), PropellerSpeed: in("1700", "{rpm}"), Ng: in("94.1", "%"), Itt: in("655", "Cel"), FuelFlow: in("330", "[lb_av]/h"),
	}
	if change != nil {
		change(r)
	}
	return of(b.CreateReading(b.analyst(), &performancev1.CreateReadingRequest{Parent: engineName, ReadingId: id, Reading: r}))
}

// redo works the deviations out from nothing but the lines of the explanation, as a person would with paper.
func redo(t *testing.T, steps []*commonv1.Explained) map[string]float64 {
	t.Helper()
	v := func(label string) float64 { return line(t, steps, label).GetValue() }
	static := 101325 * math.Pow(1-0.0065*v("Pressure altitude")/288.15, 5.25588)
	impact := 101325 * (math.Pow(1+0.2*math.Pow(v("Calibrated airspeed")/661.4786, 2), 3.5) - 1)
	mach := math.Sqrt(5 * (math.Pow(impact/static+1, 2.0/7) - 1))
	theta := (v("Air temperature") + 273.15) * (1 + 0.2*mach*mach) / v("Standard temperature")
	delta := static * math.Pow(1+0.2*mach*mach, 3.5) / v("Standard pressure")
	power := 2 * math.Pi * v("Torque") * v("Propeller speed") / 60000 / (delta * math.Sqrt(theta))
	letters := map[string]float64{"1": 1, "x": v("x"), "m": mach, "n": v("n"), "h": v("Pressure altitude") / 10000, "t": theta - 1}
	near(t, "x", v("x")*v("Referred power"), v("x")*power, 1e-3)
	out := map[string]float64{}
	for name, zero := range map[string]float64{"ITT": 273.15, "Ng": 0, "Fuel flow": 0} {
		clean := 0.0
		for _, s := range steps {
			if words, ok := strings.CutPrefix(s.GetLabel(), name+" coefficient of "); ok {
				clean += s.GetValue() * product(letters, words)
			}
		}
		out[name] = clean*math.Pow(theta, v(name+" exponent of theta"))*math.Pow(delta, v(name+" exponent of delta")) - zero
	}
	return map[string]float64{
		"ITT deviation": v("ITT") - out["ITT"], "Ng deviation": v("Ng") - out["Ng"], "Fuel flow deviation": 100 * (v("Fuel flow")/out["Fuel flow"] - 1),
	}
}

// product is the value of a term such as x^2*n.
func product(letters map[string]float64, term string) float64 {
	p := 1.0
	for f := range strings.SplitSeq(term, "*") {
		letter, power, squared := strings.Cut(f, "^")
		exponent := 1.0
		if squared {
			exponent = float64(power[0] - '0')
		}
		p *= math.Pow(letters[letter], exponent)
	}
	return p
}

func TestEveryDeviationCanBeRedoneByHand(t *testing.T) {
	benches(t, func(t *testing.T, b bench) {
		b.withModel(func(m *performancev1.EngineModel) {
			m.Exponents = &performancev1.CorrectionExponents{IttTheta: 0.98, NgTheta: 0.48, FuelFlowTheta: 0.61, FuelFlowDelta: 0.988, TorqueDelta: 1}
		})
		reading := b.read("r1", nil).done(t)
		got := of(b.ExplainReading(b.as("viewer"), &performancev1.ExplainReadingRequest{Name: reading.GetName()})).done(t)
		by := redo(t, got.GetSteps())
		for label, want := range map[string]float64{
			"ITT deviation": reading.GetDeviation().GetIttC(), "Ng deviation": reading.GetDeviation().GetNgPct(), "Fuel flow deviation": reading.GetDeviation().GetFuelFlowPct(),
		} {
			near(t, label+" by hand", by[label], want, 2e-3)
			near(t, label+" of the answer", line(t, got.GetSteps(), label).GetValue(), want, 1e-9)
		}
		for _, s := range got.GetSteps() {
			if s.GetFormula() == "" || s.GetSource() == "" || s.GetUnitCode() == "" {
				t.Errorf("%q lacks its formula, source or unit", s.GetLabel())
			}
		}
		if wet := line(t, got.GetSteps(), "Largest effect of humidity on a referred speed").GetValue(); !(wet > 0.05 && wet < 0.5) {
			t.Errorf("air of 5 °C holds little water: %g %%", wet)
		}
		if s := line(t, got.GetSteps(), "Torque"); s.GetFormula() != "entered as 1300 [ft_i].[lbf_av]" || !strings.Contains(s.GetAlternateText(), "1300 lbf·ft") {
			t.Errorf("%v", s)
		}
	})
}

// A reading stays explained by the revision that it was analysed with, whatever the model says now.
func TestAnExplanationNamesTheRevisionThatWasUsed(t *testing.T) {
	benches(t, func(t *testing.T, b bench) {
		m := b.withModel(nil)
		reading := b.read("r1", nil).done(t)
		of(b.UpdateEngineModel(b.analyst(), &performancev1.UpdateEngineModelRequest{
			EngineModel: &performancev1.EngineModel{Name: modelName, Etag: m.GetEtag(), Exponents: &performancev1.CorrectionExponents{
				IttTheta: 0.9, NgTheta: 0.5, FuelFlowTheta: 0.5, FuelFlowDelta: 1, TorqueDelta: 1,
			}}, UpdateMask: &fieldmaskpb.FieldMask{Paths: []string{"exponents"}},
		})).done(t)
		got := of(b.ExplainReading(b.analyst(), &performancev1.ExplainReadingRequest{Name: reading.GetName()})).done(t)
		near(t, "deviation", line(t, got.GetSteps(), "ITT deviation").GetValue(), reading.GetDeviation().GetIttC(), 1e-9)
		if got.GetModelRevision() != 1 {
			t.Errorf("revision %d", got.GetModelRevision())
		}
		old := of(b.GetEngineModel(b.as("viewer"), &performancev1.GetEngineModelRequest{Name: modelName, Revision: 1})).done(t)
		newest := of(b.GetEngineModel(b.as("viewer"), &performancev1.GetEngineModelRequest{Name: modelName})).done(t)
		if old.GetRevision() != 1 || old.GetExponents() != nil || newest.GetRevision() != 2 || newest.GetExponents().GetIttTheta() != 0.9 {
			t.Errorf("revisions %d and %d", old.GetRevision(), newest.GetRevision())
		}
		of(b.GetEngineModel(b.analyst(), &performancev1.GetEngineModelRequest{Name: modelName, Revision: 7})).refused(t, "NOT_FOUND")
		// The next reading works everything out anew with the newest revision.
		b.read("r2", func(r *performancev1.Reading) { r.ReadTime = timestamppb.New(morning.Add(-2)) }).done(t)
		if again := of(b.GetReading(b.analyst(), &performancev1.GetReadingRequest{Name: reading.GetName()})).done(t); again.GetModelRevision() != 2 {
			t.Errorf("revision %d", again.GetModelRevision())
		}
	})
}

// A polynomial entered is the baseline that the table had: the same deviations.
func TestABaselineAsCoefficients(t *testing.T) {
	benches(t, func(t *testing.T, b bench) {
		b.withModel(nil)
		want := b.read("r1", nil).done(t)
		steps := of(b.ExplainReading(b.analyst(), &performancev1.ExplainReadingRequest{Name: want.GetName()})).done(t).GetSteps()
		p := &performancev1.BaselinePolynomial{
			PowerScaleKw: line(t, steps, "Referred power").GetValue() / line(t, steps, "x").GetValue(), PropellerSpeedScaleRpm: 1900,
			MinReferredPowerKw: 100, MaxReferredPowerKw: 900, Document: paper("Coefficients"),
		}
		for _, s := range steps {
			if term, ok := strings.CutPrefix(s.GetLabel(), "ITT coefficient of "); ok {
				p.Terms = append(p.Terms, &performancev1.BaselineTerm{
					Term: term, IttK: s.GetValue(), NgPct: line(t, steps, "Ng coefficient of "+term).GetValue(), FuelFlowKgH: line(t, steps, "Fuel flow coefficient of "+term).GetValue(),
				})
			}
		}
		m := of(b.GetEngineModel(b.analyst(), &performancev1.GetEngineModelRequest{Name: modelName})).done(t)
		m.Baseline = &performancev1.Baseline{Polynomial: p}
		of(b.UpdateEngineModel(b.analyst(), &performancev1.UpdateEngineModelRequest{EngineModel: m, UpdateMask: &fieldmaskpb.FieldMask{Paths: []string{"baseline"}}})).done(t)
		b.read("r2", func(r *performancev1.Reading) { r.ReadTime = timestamppb.New(morning.Add(-2)) }).done(t)
		got := of(b.GetReading(b.analyst(), &performancev1.GetReadingRequest{Name: want.GetName()})).done(t)
		near(t, "ITT deviation", got.GetDeviation().GetIttC(), want.GetDeviation().GetIttC(), 1e-6)
		near(t, "fuel-flow deviation", got.GetDeviation().GetFuelFlowPct(), want.GetDeviation().GetFuelFlowPct(), 1e-6)
	})
}
