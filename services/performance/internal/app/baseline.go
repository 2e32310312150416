package app

import (
	performancev1 "coldsection.example/proto/coldsection/performance/v1"
	"coldsection.example/services/performance/internal/baseline"
	"coldsection.example/services/platform/fault"
)

// fit makes the baseline of a model's data: of its table or of its polynomial. Reason: BASELINE_INVALID.
func fit(model *performancev1.EngineModel) (*baseline.Model, error) {
	data := model.GetBaseline()
	if (len(data.GetPoints()) > 0) == (data.GetPolynomial() != nil) {
		return nil, fault.Invalid("engine_model.baseline", "BASELINE_INVALID", "A baseline is a table or a polynomial. Give one of them.")
	}
	var m *baseline.Model
	var err error
	if p := data.GetPolynomial(); p != nil {
		m, err = baseline.Of(polynomialOf(p), exponentsOf(model))
	} else {
		m, err = baseline.Fit(tableOf(data), exponentsOf(model))
	}
	if err != nil {
		return nil, fault.Invalid("engine_model.baseline", "BASELINE_INVALID", "%s. Correct the baseline.", err)
	}
	return m, nil
}

func exponentsOf(model *performancev1.EngineModel) baseline.Exponents {
	x := model.GetExponents()
	if x == nil {
		return baseline.Ideal
	}
	return baseline.Exponents{
		ITTTheta: x.GetIttTheta(), NgTheta: x.GetNgTheta(), FuelTheta: x.GetFuelFlowTheta(), FuelDelta: x.GetFuelFlowDelta(), TorqueDelta: x.GetTorqueDelta(),
	}
}

func tableOf(data *performancev1.Baseline) []baseline.Point {
	var table []baseline.Point
	for _, p := range data.GetPoints() {
		table = append(table, baseline.Point{
			Altitude: p.GetPressureAltitudeM(), OAT: p.GetOatC(), Airspeed: p.GetAirspeedKt(), Np: p.GetPropellerSpeedRpm(), Torque: p.GetTorqueNm(),
			ITT: p.GetIttC(), Ng: p.GetNgPct(), Fuel: p.GetFuelFlowKgH(),
		})
	}
	return table
}

func polynomialOf(p *performancev1.BaselinePolynomial) baseline.Polynomial {
	out := baseline.Polynomial{
		Power: p.GetPowerScaleKw(), Np: p.GetPropellerSpeedScaleRpm(), Low: p.GetMinReferredPowerKw(), High: p.GetMaxReferredPowerKw(),
		Cold: p.GetMinTheta(), Hot: p.GetMaxTheta(),
		Error: baseline.Values{ITT: p.GetUncertainty().GetIttC(), Ng: p.GetUncertainty().GetNgPct(), Fuel: p.GetUncertainty().GetFuelFlowPct()},
	}
	for _, t := range p.GetTerms() {
		out.Terms = append(out.Terms, baseline.Term{Name: t.GetTerm(), Coefficients: baseline.Values{ITT: t.GetIttK(), Ng: t.GetNgPct(), Fuel: t.GetFuelFlowKgH()}})
	}
	return out
}
