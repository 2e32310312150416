package app

import (
	"context"
	"fmt"

	commonv1 "coldsection.example/proto/coldsection/common/v1"
	performancev1 "coldsection.example/proto/coldsection/performance/v1"
	"coldsection.example/services/performance/internal/heater"
	"coldsection.example/services/performance/internal/store"
	"coldsection.example/services/platform/quantity"
)

const ohm = "Ohm's and Joule's laws"

var heaterVerdicts = map[heater.Verdict]performancev1.HeaterFinding_Verdict{
	heater.Within: performancev1.HeaterFinding_WITHIN, heater.Outside: performancev1.HeaterFinding_OUTSIDE, heater.CannotJudge: performancev1.HeaterFinding_CANNOT_JUDGE,
}

// CalculateHeater works out what the heater of the sense line draws, and judges what was measured.
func (a *App) CalculateHeater(ctx context.Context, req *performancev1.CalculateHeaterRequest) (*performancev1.CalculateHeaterResponse, error) {
	model, err := store.Models.Read(ctx, a.DB, req.GetName())
	if err != nil {
		return nil, err
	}
	data := heaterData(model.GetHeater())
	figures, err := data.Expect()
	if err != nil {
		return nil, err
	}
	m, err := heaterMeasured(req)
	if err != nil {
		return nil, err
	}
	findings, err := data.Judge(m)
	if err != nil {
		return nil, err
	}
	document := documentOf(model.GetHeater().GetDocument(), model)
	return &performancev1.CalculateHeaterResponse{
		Cautions: heater.Cautions(), Findings: heaterFindings(findings), Steps: heaterSteps(data, figures, cite(document, model)),
		EngineModel: model.GetName(), ModelRevision: model.GetRevision(), Document: document,
		LowestResistanceOhm: figures.ResistanceWindow.Low, HighestResistanceOhm: figures.ResistanceWindow.High, TemperatureMatters: data.Coefficient != 0,
		LowestCurrentA: figures.CurrentWindow.Low, HighestCurrentA: figures.CurrentWindow.High,
		LowestSupplyV: figures.Bus.Low, HighestSupplyV: figures.Bus.High, MinInsulationMohm: data.MinInsulation,
	}, nil
}

func heaterData(d *performancev1.HeaterData) heater.Data {
	return heater.Data{
		Power: d.GetRatedPowerW(), Voltage: d.GetRatedVoltageV(), Tolerance: d.GetTolerancePct(), MinInsulation: d.GetMinInsulationMohm(),
		Coefficient: d.GetResistanceCoefficientPerK(), HotTemperature: d.GetHotTemperatureC(), MinBus: d.GetMinBusVoltageV(), MaxBus: d.GetMaxBusVoltageV(),
	}
}

func heaterMeasured(req *performancev1.CalculateHeaterRequest) (heater.Measurement, error) {
	m := heater.Nothing()
	for _, f := range []struct {
		field string
		from  *commonv1.Entered
		into  *float64
		want  quantity.Dimension
		scale float64
	}{
		{"resistance", req.GetResistance(), &m.Resistance, quantity.Resistance, 1},
		{"temperature", req.GetTemperature(), &m.Temperature, quantity.Temperature, 1},
		{"current", req.GetCurrent(), &m.Current, quantity.Current, 1},
		{"bus_voltage", req.GetBusVoltage(), &m.Bus, quantity.Voltage, 1},
		{"insulation", req.GetInsulation(), &m.Insulation, quantity.Resistance, 1e-6}, // Ω to MΩ
	} {
		if f.from == nil {
			continue
		}
		v, err := measured(f.field, f.from, f.want)
		if err != nil {
			return m, err
		}
		*f.into = v * f.scale
	}
	return m, nil
}

func heaterSteps(d heater.Data, f heater.Figures, document string) []*commonv1.Explained {
	share, low, high := d.Tolerance/100, f.Bus.Low, f.Bus.High
	return []*commonv1.Explained{
		step("Rated power", d.Power, "W", "entered", document),
		step("Rated voltage", d.Voltage, "V", "entered", document),
		step("Tolerance", d.Tolerance, "%", "entered", document),
		step("Resistance when hot", f.Resistance, "Ohm", fmt.Sprintf("%.6g² / %.6g", d.Voltage, d.Power), ohm),
		step("Lowest resistance when hot", f.ResistanceWindow.Low, "Ohm", fmt.Sprintf("%.6g × (1 − %.6g)", f.Resistance, share), document),
		step("Highest resistance when hot", f.ResistanceWindow.High, "Ohm", fmt.Sprintf("%.6g × (1 + %.6g)", f.Resistance, share), document),
		step("Current at the rated voltage", f.Current, "A", fmt.Sprintf("%.6g / %.6g", d.Voltage, f.Resistance), ohm),
		step("Lowest current", f.CurrentWindow.Low, "A", fmt.Sprintf("%.6g / (%.6g × (1 + %.6g))", low, f.Resistance, share), ohm),
		step("Highest current", f.CurrentWindow.High, "A", fmt.Sprintf("%.6g / (%.6g × (1 − %.6g))", high, f.Resistance, share), ohm),
	}
}

var heaterUnits = map[string]string{"resistance": "Ohm", "current": "A", "insulation": "MOhm"}

func heaterFindings(from []heater.Finding) []*performancev1.HeaterFinding {
	var out []*performancev1.HeaterFinding
	for _, f := range from {
		finding := &performancev1.HeaterFinding{Item: f.Item, Verdict: heaterVerdicts[f.Verdict], Lowest: f.Window.Low, Highest: f.Window.High, Reason: f.Reason}
		if f.Verdict != heater.CannotJudge {
			finding.Normalised = step("Measured "+f.Item, f.Normalised, heaterUnits[f.Item], f.Reason, ohm)
		}
		out = append(out, finding)
	}
	return out
}
