package app

import (
	"context"
	"fmt"
	"math"
	"strings"

	commonv1 "coldsection.example/proto/coldsection/common/v1"
	performancev1 "coldsection.example/proto/coldsection/performance/v1"
	"coldsection.example/services/performance/internal/atmosphere"
	"coldsection.example/services/performance/internal/baseline"
	"coldsection.example/services/performance/internal/store"
	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/storage"
)

// ExplainReading shows each step from the raw reading to its deviation, with the revision of the model that the reading was
// analysed with.
func (a *App) ExplainReading(ctx context.Context, name string) (*performancev1.ExplainReadingResponse, error) {
	resp := &performancev1.ExplainReadingResponse{}
	err := a.DB.View(ctx, func(ctx context.Context, tx *storage.Tx) error {
		reading, err := store.Readings.Get(ctx, tx, name)
		if err != nil {
			return err
		}
		engine, _, _ := strings.Cut(name, "/readings/")
		profile, _, err := store.FindProfile(ctx, tx, engine)
		if err != nil {
			return err
		}
		model, fitted, err := a.unit(ctx, tx).baselineAt(ctx, profile.Model, reading.GetModelRevision())
		if err != nil {
			return err
		}
		e := &explaining{reading: reading, point: pointOf(reading.GetValues()), model: fitted, document: cite(model.GetDocument(), model)}
		if e.x, err = fitted.Expect(e.point); err != nil {
			return fault.Precondition("READING_NOT_ANALYSED", "%s was not analysed: %s.", name, err)
		}
		e.explain()
		*resp = performancev1.ExplainReadingResponse{Reading: reading, EngineModel: profile.Model, ModelRevision: model.GetRevision(), Steps: e.steps}
		return nil
	})
	return resp, err
}

// Sources of the steps.
const (
	iso2533    = "ISO 2533:1975"
	naca1135   = "NACA Report 1135, gamma 1.4"
	similarity = "ideal similarity"
	ofReading  = "this reading"
)

// explaining is one explanation under way.
type explaining struct {
	reading  *performancev1.Reading
	point    baseline.Point
	model    *baseline.Model
	x        baseline.Expectation
	document string
	steps    []*commonv1.Explained
}

func (e *explaining) add(label string, value float64, unit, formula, source string) {
	e.steps = append(e.steps, step(label, value, unit, formula, source))
}

func (e *explaining) explain() {
	e.raw()
	e.condition()
	e.power()
	for _, p := range e.parameters() {
		e.parameter(p)
	}
}

// raw are the values as entered, in the units that everything else is worked out in.
func (e *explaining) raw() {
	r, v := e.reading, e.reading.GetValues()
	for _, f := range []struct {
		label   string
		entered *commonv1.Entered
		value   float64
		unit    string
	}{
		{"Pressure altitude", r.GetPressureAltitude(), v.GetPressureAltitudeM(), "m"}, {"Air temperature", r.GetOat(), v.GetOatC(), "Cel"},
		{"Calibrated airspeed", r.GetAirspeed(), v.GetAirspeedKt(), "[kn_i]"}, {"Torque", r.GetTorque(), v.GetTorqueNm(), "N.m"},
		{"Propeller speed", r.GetPropellerSpeed(), v.GetPropellerSpeedRpm(), "{rpm}"}, {"ITT", r.GetItt(), v.GetIttC(), "Cel"},
		{"Ng", r.GetNg(), v.GetNgPct(), "%"}, {"Fuel flow", r.GetFuelFlow(), v.GetFuelFlowKgH(), "kg/h"},
	} {
		formula := "not entered; taken as 0"
		if f.entered != nil {
			formula = fmt.Sprintf("entered as %s %s", f.entered.GetText(), f.entered.GetUnitCode())
		}
		e.add(f.label, f.value, f.unit, formula, ofReading)
	}
}

func (e *explaining) condition() {
	c := e.x.Condition
	e.add("Standard temperature", atmosphere.T0, "K", "constant", iso2533)
	e.add("Standard pressure", atmosphere.P0, "Pa", "constant", iso2533)
	static := c.Delta * atmosphere.P0 / math.Pow(1+0.2*c.Mach*c.Mach, 3.5)
	e.add("Static pressure", static, "Pa", fmt.Sprintf("101,325 Pa × (1 − 0.0065 × %.7g / 288.15)^5.25588, up to 11,000 m", e.point.Altitude), iso2533)
	if wet, err := atmosphere.WettestSpeedEffect(e.point.OAT, static); err == nil {
		e.add("Largest effect of humidity on a referred speed", wet, "%",
			"100 × (√(R of saturated air / R of dry air) − 1); humidity is not measured, so this is uncertainty and no correction", "Magnus form as in WMO-No. 8, from memory")
	}
	e.add("Mach number", c.Mach, "1", fmt.Sprintf(
		"√(5 × ((q/p + 1)^(2/7) − 1)), q = 101,325 Pa × ((1 + 0.2 × (%.7g kt / 661.4786 kt)²)^3.5 − 1), p the static pressure", e.point.Airspeed), naca1135)
	e.add("Theta", c.Theta, "1", fmt.Sprintf("(%.7g + 273.15) × (1 + 0.2 × %.7g²) / 288.15", e.point.OAT, c.Mach), naca1135)
	e.add("Delta", c.Delta, "1", fmt.Sprintf("%.7g × (1 + 0.2 × %.7g²)^3.5 / 101,325", static, c.Mach), naca1135)
}

func (e *explaining) power() {
	p, c := e.model.Polynomial(), e.x.Condition
	e.add("Shaft power", e.point.Power(), "kW", fmt.Sprintf("2π × %.7g N·m × %.7g rpm / 60,000", e.point.Torque, e.point.Np), "definition of power")
	e.add("Referred power", e.x.ReferredPower, "kW", fmt.Sprintf("%.7g / (%.7g × √%.7g)", e.point.Power(), c.Delta, c.Theta), similarity)
	e.add("x", e.x.ReferredPower/p.Power, "1", fmt.Sprintf("%.7g / %.7g kW", e.x.ReferredPower, p.Power), e.document)
	e.add("m", c.Mach, "1", "the Mach number", e.document)
	e.add("n", e.point.Np/p.Np-1, "1", fmt.Sprintf("%.7g / %.7g rpm − 1", e.point.Np, p.Np), e.document)
	e.add("h", e.point.Altitude/10000, "1", fmt.Sprintf("%.7g m / 10,000 m", e.point.Altitude), e.document)
	e.add("t", c.Theta-1, "1", "theta − 1", e.document)
}

// parameter is one of the three that are compared.
type parameter struct {
	name, unit, referredUnit        string
	raw, referred, clean, expected  float64
	deviation, residual             float64
	deviationUnit, deviationFormula string
	theta, delta, zero              float64
	coefficient                     func(baseline.Values) float64
}

func (e *explaining) parameters() []parameter {
	p, x, d, k, r := e.point, e.x, e.x.Deviation(e.point), e.model.Exponents(), e.model.Residual
	return []parameter{
		{
			"ITT", "Cel", "K", p.ITT, x.Referred.ITT, x.ReferredClean.ITT, x.Expected.ITT, d.ITT, r.ITT, "K", fmt.Sprintf("%.7g − %.7g", p.ITT, x.Expected.ITT),
			k.ITTTheta, 0, 273.15, func(v baseline.Values) float64 { return v.ITT },
		},
		{
			"Ng", "%", "%", p.Ng, x.Referred.Ng, x.ReferredClean.Ng, x.Expected.Ng, d.Ng, r.Ng, "%", fmt.Sprintf("%.7g − %.7g", p.Ng, x.Expected.Ng),
			k.NgTheta, 0, 0, func(v baseline.Values) float64 { return v.Ng },
		},
		{
			"Fuel flow", "kg/h", "kg/h", p.Fuel, x.Referred.Fuel, x.ReferredClean.Fuel, x.Expected.Fuel, d.Fuel, r.Fuel, "%",
			fmt.Sprintf("100 × (%.7g / %.7g − 1)", p.Fuel, x.Expected.Fuel), k.FuelTheta, k.FuelDelta, 0, func(v baseline.Values) float64 { return v.Fuel },
		},
	}
}

func (e *explaining) parameter(p parameter) {
	e.add(p.name+" exponent of theta", p.theta, "1", "a", e.document)
	e.add(p.name+" exponent of delta", p.delta, "1", "b", e.document)
	offset, back := "", ""
	if p.zero != 0 {
		offset, back = fmt.Sprintf(" + %g", p.zero), fmt.Sprintf(" − %g", p.zero)
	}
	e.add("Referred "+p.name+", as read", p.referred, p.referredUnit, fmt.Sprintf("(%.7g%s) / (theta^%.4g × delta^%.4g)", p.raw, offset, p.theta, p.delta), similarity)
	var sum []string
	for _, t := range e.model.Polynomial().Terms {
		e.add(p.name+" coefficient of "+t.Name, p.coefficient(t.Coefficients), p.referredUnit, "of the baseline", e.document)
		sum = append(sum, t.Name)
	}
	e.add("Referred "+p.name+", clean engine", p.clean, p.referredUnit, "Σ coefficient × term over "+strings.Join(sum, ", "), e.document)
	e.add("Expected "+p.name, p.expected, p.unit, fmt.Sprintf("%.7g × theta^%.4g × delta^%.4g%s", p.clean, p.theta, p.delta, back), e.document)
	if p.deviationUnit == "K" {
		e.steps = append(e.steps, degrees(p.name+" deviation", p.deviation, p.deviationFormula, ofReading))
	} else {
		e.add(p.name+" deviation", p.deviation, p.deviationUnit, p.deviationFormula, ofReading)
	}
	e.steps = append(e.steps, &commonv1.Explained{
		Label: p.name + " scatter of the baseline about its table", Value: p.residual, UnitCode: p.deviationUnit, Formula: "one standard deviation; 0 when a polynomial was entered",
		Source: e.document,
	})
}
