package app

import (
	"context"
	"fmt"

	performancev1 "coldsection.example/proto/coldsection/performance/v1"
	"coldsection.example/services/performance/internal/exceedance"
	"coldsection.example/services/performance/internal/store"
	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/quantity"
)

// units of the parameters.
var units = map[performancev1.Parameter]struct {
	code      string
	dimension quantity.Dimension
}{
	performancev1.Parameter_PARAMETER_ITT: {"Cel", quantity.Temperature}, performancev1.Parameter_PARAMETER_NG: {"%", quantity.Ratio},
	performancev1.Parameter_PARAMETER_FUEL_FLOW: {"kg/h", quantity.MassFlow}, performancev1.Parameter_PARAMETER_TORQUE: {"N.m", quantity.Torque},
	performancev1.Parameter_PARAMETER_NP: {"{rpm}", quantity.Rotation},
}

// EvaluateExceedance holds a trace against a chart of the engine model.
func (a *App) EvaluateExceedance(ctx context.Context, req *performancev1.EvaluateExceedanceRequest) (*performancev1.EvaluateExceedanceResponse, error) {
	model, err := store.Models.Read(ctx, a.DB, req.GetName())
	if err != nil {
		return nil, err
	}
	data, err := chartNamed(model, req.GetChart())
	if err != nil {
		return nil, err
	}
	trace, err := traceOf(req, data)
	if err != nil {
		return nil, err
	}
	chart := chartOf(data)
	events, err := chart.Judge(trace)
	if err != nil {
		return nil, err
	}
	resp := &performancev1.EvaluateExceedanceResponse{
		Cautions: exceedance.Cautions(), EngineModel: model.GetName(), ModelRevision: model.GetRevision(), Document: data.GetDocument(),
	}
	for _, e := range events {
		resp.Exceedances = append(resp.Exceedances, exceeded(chart, e, units[data.GetParameter()].code, cite(data.GetDocument(), model)))
	}
	return resp, nil
}

func chartNamed(model *performancev1.EngineModel, id string) (*performancev1.ExceedanceChart, error) {
	for _, c := range model.GetExceedanceCharts() {
		if c.GetId() == id {
			return c, nil
		}
	}
	return nil, fault.Invalid("chart", "EXCEEDANCE_CHART_UNKNOWN", "%s has no exceedance chart %.60q. Enter it from the approved data, or name another.", model.GetName(), id)
}

// chartOf is a chart of the contract as the core reads it.
func chartOf(data *performancev1.ExceedanceChart) *exceedance.Chart {
	document := data.GetDocument().GetTitle()
	if r := data.GetDocument().GetRevision(); r != "" {
		document += " revision " + r
	}
	chart := &exceedance.Chart{Reset: data.GetResetSeconds(), Gap: data.GetLongestGapSeconds()}
	for _, z := range data.GetZones() {
		zone := exceedance.Zone{ID: z.GetId(), Severity: int(z.GetSeverity()), Action: z.GetAction(), Document: document}
		for _, v := range z.GetCorners() {
			zone.Corners = append(zone.Corners, exceedance.Vertex{Duration: v.GetDurationSeconds(), Value: v.GetValue()})
		}
		chart.Zones = append(chart.Zones, zone)
	}
	return chart
}

// traced is what brings a trace for a chart.
type traced interface {
	GetUnitCode() string
	GetSamples() []*performancev1.TraceSample
}

// traceOf is the samples in the chart's unit.
func traceOf(req traced, data *performancev1.ExceedanceChart) ([]exceedance.Sample, error) {
	unit, err := quantity.Lookup(req.GetUnitCode())
	if err != nil {
		return nil, err
	}
	if want := units[data.GetParameter()].dimension; unit.Dimension != want {
		return nil, fault.Invalid("unit_code", "UNIT_MISMATCH", "The chart %q is not read in %q. Use a unit of %s.", data.GetId(), unit.Code, want)
	}
	zero, one := quantity.MustParse("0", unit.Code).Canonical(), quantity.MustParse("1", unit.Code).Canonical()
	var trace []exceedance.Sample
	for _, s := range req.GetSamples() {
		trace = append(trace, exceedance.Sample{At: s.GetOffsetSeconds(), Value: zero + (one-zero)*s.GetValue()})
	}
	return trace, nil
}

func exceeded(chart *exceedance.Chart, e exceedance.Event, unit, source string) *performancev1.Exceedance {
	lowest := chart.Lowest()
	out := &performancev1.Exceedance{
		Verdict: performancev1.Exceedance_NO_ZONE, StartOffsetSeconds: e.Start, EndOffsetSeconds: e.End, SamplingSeconds: e.Interval, Gaps: e.AtLeast(),
		Peak:     step("Peak", e.Peak, unit, fmt.Sprintf("the highest of %d samples, at %.6g s", e.Samples, e.PeakAt), "the trace"),
		Duration: step("Duration", e.Duration, "s", fmt.Sprintf("at or over %.6g, straight lines between samples", lowest), source),
	}
	if e.Zone >= 0 {
		out.Verdict, out.Zone, out.Action = performancev1.Exceedance_ZONE_MET, chart.Zones[e.Zone].ID, chart.Zones[e.Zone].Action
	}
	if e.WorstZone >= 0 {
		out.PossibleZone, out.Action = chart.Zones[e.WorstZone].ID, chart.Zones[e.WorstZone].Action
	}
	if e.WorstZone != e.Zone || e.Beyond {
		out.Verdict = performancev1.Exceedance_CANNOT_TELL
	}
	out.Explanation = e.Words(chart)
	return out
}
