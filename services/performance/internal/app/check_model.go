package app

import (
	"fmt"
	"math"
	"slices"

	commonv1 "coldsection.example/proto/coldsection/common/v1"
	performancev1 "coldsection.example/proto/coldsection/performance/v1"
	"coldsection.example/services/performance/internal/analysis"
	"coldsection.example/services/performance/internal/heater"
	"coldsection.example/services/platform/fault"
)

// checkModel refuses engine data that a calculation could not use, before anything is kept.
func checkModel(model *performancev1.EngineModel) error {
	for _, check := range []func(*performancev1.EngineModel) error{
		checkDocuments, checkLimits, checkExponents, checkWash, checkTrim, checkHeater, checkCharts, checkSignatures, checkReference,
	} {
		if err := check(model); err != nil {
			return err
		}
	}
	_, err := fit(model)
	return err
}

func checkDocuments(m *performancev1.EngineModel) error {
	if m.GetDocument().GetTitle() == "" {
		return fault.Invalid("engine_model.document", "DOCUMENT_MISSING", "Engine data name the document and revision that they come from. Add it.")
	}
	own := map[string]*commonv1.DocumentReference{"power_check": m.GetPowerCheck().GetDocument()}
	if m.GetPowerCheck() == nil {
		own = map[string]*commonv1.DocumentReference{}
	}
	for i, c := range m.GetExceedanceCharts() {
		own[fmt.Sprintf("exceedance_charts[%d]", i)] = c.GetDocument()
	}
	for i, s := range m.GetSignatures() {
		own[fmt.Sprintf("signatures[%d]", i)] = s.GetDocument()
	}
	if m.GetDirtKinds() != nil {
		own["dirt_kinds"] = m.GetDirtKinds().GetDocument()
	}
	for field, d := range own {
		if d.GetTitle() == "" || d.GetRevision() == "" {
			return fault.Invalid("engine_model."+field+".document", "DOCUMENT_MISSING",
				"%s names no document with its revision. Add where these data come from.", field)
		}
	}
	return nil
}

// plausible limits: what no engine of the class exceeds, so that a slipped digit is found on entry.
var highest = map[performancev1.Parameter]float64{
	performancev1.Parameter_PARAMETER_ITT: 1400, performancev1.Parameter_PARAMETER_NG: 130, performancev1.Parameter_PARAMETER_FUEL_FLOW: 5000,
	performancev1.Parameter_PARAMETER_TORQUE: 50000, performancev1.Parameter_PARAMETER_NP: 60000,
}

func checkLimits(m *performancev1.EngineModel) error {
	seen := map[string]bool{}
	for i, l := range m.GetLimits() {
		field, key := fmt.Sprintf("engine_model.limits[%d]", i), l.GetParameter().String()+" "+l.GetCondition()
		top, known := highest[l.GetParameter()]
		switch {
		case !known:
			return fault.Invalid(field, "LIMIT_INVALID", "A limit does not say what it limits. State the parameter.")
		case !(l.GetMaxValue() > 0 && l.GetMaxValue() <= top):
			return fault.Invalid(field, "LIMIT_INVALID", "A limit of %g for %s makes no sense; it must be more than 0 and at most %g. Correct it.", l.GetMaxValue(), l.GetParameter(), top)
		case seen[key]:
			return fault.Invalid(field, "LIMIT_INVALID", "There are two limits of %s for the condition %q. Keep one.", l.GetParameter(), l.GetCondition())
		}
		seen[key] = true
	}
	return nil
}

func checkExponents(m *performancev1.EngineModel) error {
	x := m.GetExponents()
	for name, v := range map[string]float64{
		"itt_theta": x.GetIttTheta(), "ng_theta": x.GetNgTheta(), "fuel_flow_theta": x.GetFuelFlowTheta(), "fuel_flow_delta": x.GetFuelFlowDelta(), "torque_delta": x.GetTorqueDelta(),
	} {
		if math.Abs(v) > 2 {
			return fault.Invalid("engine_model.exponents."+name, "EXPONENT_INVALID", "An exponent of %g makes no sense; ideal ones lie between 0 and 1. Correct it.", v)
		}
	}
	return nil
}

func checkWash(m *performancev1.EngineModel) error {
	for _, p := range m.GetWash().GetStarterProfiles() {
		if len(p.GetRuns()) == 0 {
			return fault.Invalid("engine_model.wash.starter_profiles", "LIMIT_INVALID", "The starter profile %q has no run. Add its runs and rests.", p.GetId())
		}
	}
	return nil
}

func checkTrim(m *performancev1.EngineModel) error {
	seen := map[string]bool{}
	for i, c := range m.GetTrim().GetClasses() {
		field := fmt.Sprintf("engine_model.trim.classes[%d]", i)
		if seen[c.GetId()] {
			return fault.Invalid(field, "TRIM_RESISTANCE_INVALID", "Two trim classes are called %q. Give each a name of its own.", c.GetId())
		}
		seen[c.GetId()] = true
		if !(c.GetToleranceOhm() < c.GetResistanceOhm()) {
			return fault.Invalid(field, "TRIM_RESISTANCE_INVALID", "The trim class %q is %g ± %g Ω. Correct it.", c.GetId(), c.GetResistanceOhm(), c.GetToleranceOhm())
		}
	}
	return nil
}

func checkHeater(m *performancev1.EngineModel) error {
	data := heaterData(m.GetHeater())
	if data == (heater.Data{}) {
		return nil
	}
	_, err := data.Expect()
	return err
}

func checkCharts(m *performancev1.EngineModel) error {
	seen := map[string]bool{}
	for i, c := range m.GetExceedanceCharts() {
		field := fmt.Sprintf("engine_model.exceedance_charts[%d]", i)
		if seen[c.GetId()] {
			return fault.Invalid(field, "EXCEEDANCE_CHART_INVALID", "Two charts are called %q. Give each a name of its own.", c.GetId())
		}
		seen[c.GetId()] = true
		if _, known := units[c.GetParameter()]; !known {
			return fault.Invalid(field, "EXCEEDANCE_CHART_INVALID", "The chart %q does not say what it is of. State the parameter.", c.GetId())
		}
		if err := chartOf(c).Check(); err != nil {
			return err
		}
	}
	return nil
}

func checkSignatures(m *performancev1.EngineModel) error {
	seen := map[string]bool{}
	for i, s := range m.GetSignatures() {
		field := fmt.Sprintf("engine_model.signatures[%d]", i)
		known := slices.Contains(analysis.Causes(), s.GetCause())
		largest := math.Max(math.Abs(s.GetIttC()), math.Max(math.Abs(s.GetNgPct()), math.Abs(s.GetFuelFlowPct())))
		switch {
		case !known || seen[s.GetCause()]:
			return fault.Invalid(field, "SIGNATURE_INVALID", "The cause %q is not known here or stands here twice. Name each known cause once.", s.GetCause())
		case !(largest > 0 && largest <= 100):
			return fault.Invalid(field, "SIGNATURE_INVALID", "The signature of %q has no direction, or a change of more than 100. Correct it.", s.GetCause())
		}
		seen[s.GetCause()] = true
	}
	if d := m.GetDirtKinds(); d != nil && d.GetIttC() == 0 && d.GetNgPct() == 0 && d.GetFuelFlowPct() == 0 {
		return fault.Invalid("engine_model.dirt_kinds", "SIGNATURE_INVALID", "What sets kinds of dirt apart has no direction. Give its changes, or leave it out.")
	}
	return nil
}

func checkReference(m *performancev1.EngineModel) error {
	for _, c := range []struct {
		field            string
		value, low, high float64
	}{
		{"reference_torque_nm", m.GetReferenceTorqueNm(), 0, 50000}, {"reference_oat_c", m.GetReferenceOatC(), -80, 60},
		{"reference_pressure_altitude_m", m.GetReferencePressureAltitudeM(), -600, 12000}, {"reference_propeller_speed_rpm", m.GetReferencePropellerSpeedRpm(), 0, 60000},
	} {
		if !(c.value >= c.low && c.value <= c.high) {
			return fault.Invalid("engine_model."+c.field, "REFERENCE_INVALID", "The %s is %g; it must be %g to %g. Correct it.", c.field, c.value, c.low, c.high)
		}
	}
	return nil
}
