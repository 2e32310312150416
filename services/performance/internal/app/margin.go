package app

import (
	"context"
	"fmt"

	"google.golang.org/protobuf/types/known/timestamppb"

	commonv1 "coldsection.example/proto/coldsection/common/v1"
	performancev1 "coldsection.example/proto/coldsection/performance/v1"
	"coldsection.example/services/performance/internal/baseline"
	"coldsection.example/services/performance/internal/margin"
	"coldsection.example/services/platform/quantity"
)

var marginVerdicts = map[margin.Verdict]performancev1.MarginVerdict{
	margin.Pass: performancev1.MarginVerdict_MARGIN_VERDICT_PASS, margin.Fail: performancev1.MarginVerdict_MARGIN_VERDICT_FAIL,
	margin.CannotTell: performancev1.MarginVerdict_MARGIN_VERDICT_CANNOT_TELL,
}

// ComputeMargin states an engine's margin at the reference condition.
func (a *App) ComputeMargin(ctx context.Context, req *performancev1.ComputeMarginRequest) (*performancev1.ComputeMarginResponse, error) {
	h, err := a.historyOf(ctx, req.GetName())
	if err != nil {
		return nil, err
	}
	reference, err := h.reference(req.GetReference())
	if err != nil {
		return nil, err
	}
	s, err := margin.At(h.fitted, reference, h.state())
	if err != nil {
		return nil, err
	}
	outcome := s.Judge(reference.Reserve)
	resp := &performancev1.ComputeMarginResponse{
		IttMarginC: marginInterval(s.ITT), BaselineExhausted: s.AtLeast, Verdict: marginVerdicts[outcome.Verdict], Reasons: outcome.Reasons,
		AvailableTorque: step("Torque at the ITT limit", s.Torque, "N.m", "where expected ITT plus deviation is the limit", cite(h.model.GetDocument(), h.model)),
		Cautions:        margin.Cautions(), Steps: h.marginSteps(reference, s), EngineModel: h.profile.Model, ModelRevision: h.model.GetRevision(),
	}
	if s.Ng != nil {
		resp.NgMarginPct = marginInterval(*s.Ng)
	}
	return resp, nil
}

func marginInterval(m margin.Margin) *performancev1.Interval {
	return &performancev1.Interval{Estimate: m.Value, Lower: m.Lower(), Upper: m.Upper(), CoveragePct: coverage}
}

func (h *history) marginSteps(r margin.Reference, s margin.Standing) []*commonv1.Explained {
	data, m := cite(h.model.GetDocument(), h.model), s.ITT
	return []*commonv1.Explained{
		step("Reference air temperature", r.Point.OAT, "Cel", "the condition asked for", data),
		step("Reference pressure altitude", r.Point.Altitude, "m", "the condition asked for", data),
		step("Reference torque", r.Point.Torque, "N.m", "the condition asked for", data),
		step("Reference propeller speed", r.Point.Np, "{rpm}", "the condition asked for", data),
		step("ITT limit", m.Limit, "Cel", "the lowest ITT limit of the model", data),
		step("ITT of a clean engine", m.Clean, "Cel", "the baseline at the reference condition", data),
		degrees("ITT deviation there", m.Deviation, "the present level, carried over with theta to the exponent of ITT", "the readings since the last change of the engine"),
		step("Expected ITT", m.Predicted, "Cel", fmt.Sprintf("%.6g + %.6g", m.Clean, m.Deviation), data),
		degrees("ITT margin", m.Value, fmt.Sprintf("%.6g − %.6g", m.Limit, m.Predicted), data),
		degrees("Half width of its 90 % interval", m.Half, "root of the squares of the level's half width and of 1.6449 times the baseline's scatter", data),
		degrees("Reserve to be kept", r.Reserve, "entered", cite(documentOf(h.model.GetPowerCheck().GetDocument(), h.model), h.model)),
	}
}

// CheckPower judges a power check on the ground.
func (a *App) CheckPower(ctx context.Context, req *performancev1.CheckPowerRequest) (*performancev1.CheckPowerResponse, error) {
	h, err := a.historyOf(ctx, req.GetName())
	if err != nil {
		return nil, err
	}
	reference, err := h.reference(req.GetReference())
	if err != nil {
		return nil, err
	}
	check, err := h.check(req)
	if err != nil {
		return nil, err
	}
	s, outcome, err := check.Run(h.fitted, reference)
	if err != nil {
		return nil, err
	}
	resp := &performancev1.CheckPowerResponse{
		Verdict: marginVerdicts[outcome.Verdict], Reasons: outcome.Reasons, MoreReadings: int32(outcome.More), Cautions: margin.Cautions(),
		EngineModel: h.profile.Model, ModelRevision: h.model.GetRevision(),
	}
	if s != nil {
		resp.IttMarginC, resp.Steps = marginInterval(s.ITT), h.marginSteps(reference, *s)
	}
	return resp, nil
}

func (h *history) check(req *performancev1.CheckPowerRequest) (*margin.Check, error) {
	c := &margin.Check{Bleed: req.GetBleedOpen(), MinShare: h.model.GetPowerCheck().GetMinPowerPct() / 100, Noise: h.noise()}
	if c.MinShare == 0 {
		c.MinShare = margin.UsualMinShare
	}
	if c.Noise.ITT == 0 {
		c.Noise.ITT = margin.Careful.ITT
	}
	if c.Noise.Ng == 0 {
		c.Noise.Ng = margin.Careful.Ng
	}
	for i, r := range req.GetReadings() {
		p := baseline.Point{}
		for _, f := range []struct {
			field   string
			entered *commonv1.Entered
			into    *float64
			want    quantity.Dimension
		}{
			{"oat", r.GetOat(), &p.OAT, quantity.Temperature}, {"pressure_altitude", r.GetPressureAltitude(), &p.Altitude, quantity.Length},
			{"torque", r.GetTorque(), &p.Torque, quantity.Torque}, {"propeller_speed", r.GetPropellerSpeed(), &p.Np, quantity.Rotation},
			{"itt", r.GetItt(), &p.ITT, quantity.Temperature}, {"ng", r.GetNg(), &p.Ng, quantity.Ratio},
		} {
			v, err := measured(fmt.Sprintf("readings[%d].%s", i, f.field), f.entered, f.want)
			if err != nil {
				return nil, err
			}
			*f.into = v
		}
		c.Readings = append(c.Readings, p)
	}
	return c, nil
}

// ForecastMargin says when the margin may be used up.
func (a *App) ForecastMargin(ctx context.Context, req *performancev1.ForecastMarginRequest) (*performancev1.ForecastMarginResponse, error) {
	h, err := a.historyOf(ctx, req.GetName())
	if err != nil {
		return nil, err
	}
	reference, err := h.reference(nil)
	if err != nil {
		return nil, err
	}
	s, err := margin.At(h.fitted, reference, h.state())
	if err != nil {
		return nil, err
	}
	c := h.forecast(s.ITT, 0)
	resp := &performancev1.ForecastMarginResponse{
		Foreseen: c.Foreseen, Explanation: c.Reason, Cautions: append(margin.Cautions(), h.doubts()...), Steps: h.marginSteps(reference, s),
		EngineModel: h.profile.Model, ModelRevision: h.model.GetRevision(),
	}
	if !c.Foreseen {
		return resp, nil
	}
	resp.Hours = &performancev1.HoursRange{P10: c.P10, P50: c.P50, P90: c.P90, P90Open: c.Open}
	if use, ok := margin.UseOf(samples(h.readings)); ok {
		early, middle, late := c.Dates(h.readings[len(h.readings)-1].At, use)
		resp.EarliestTime, resp.MedianTime, resp.LatestTime = timestamppb.New(early), timestamppb.New(middle), timestamppb.New(late)
		if c.Open {
			resp.LatestTime = nil
		}
		resp.Explanation += fmt.Sprintf(" Dates as if flown %.1f, %.1f and %.1f h a day, as in the fortnights of the last 90 days.", use.High, use.Middle, use.Low)
	} else {
		resp.Explanation += " No dates: the readings do not tell how much the engine is flown."
	}
	return resp, nil
}

// forecast is when the deviation since the last change reaches the limit less a reserve [°C].
func (h *history) forecast(m margin.Margin, reserve float64) margin.Crossing {
	at, _ := h.changed(breaks)
	var known []margin.Sample
	for _, s := range samples(h.since(at)) {
		if s.Hours > 0 {
			known = append(known, s)
		}
	}
	return margin.Forecast(known, m.AtLimit(reserve))
}

func samples(readings []margin.Reading) []margin.Sample {
	var out []margin.Sample
	for _, r := range readings {
		out = append(out, r.Sample)
	}
	return out
}
