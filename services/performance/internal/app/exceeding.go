package app

import (
	"cmp"
	"context"
	"fmt"
	"slices"
	"strings"
	"time"

	performancev1 "coldsection.example/proto/coldsection/performance/v1"
	"coldsection.example/services/performance/internal/exceedance"
	"coldsection.example/services/performance/internal/store"
	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/storage"
)

// valueOf is what a reading says of a parameter, in the parameter's unit.
func valueOf(v *performancev1.ReadingValues, p performancev1.Parameter) float64 {
	switch p {
	case performancev1.Parameter_PARAMETER_ITT:
		return v.GetIttC()
	case performancev1.Parameter_PARAMETER_NG:
		return v.GetNgPct()
	case performancev1.Parameter_PARAMETER_FUEL_FLOW:
		return v.GetFuelFlowKgH()
	case performancev1.Parameter_PARAMETER_TORQUE:
		return v.GetTorqueNm()
	case performancev1.Parameter_PARAMETER_NP:
		return v.GetPropellerSpeedRpm()
	case performancev1.Parameter_PARAMETER_UNSPECIFIED:
	}
	return 0
}

// covers says whether a chart is for readings of a phase. Charts of starts and of motoring are for those phases alone; every other
// chart is for every other phase, as what runs must not pass by because a log names its phase otherwise.
func covers(chart *performancev1.ExceedanceChart, phase string) bool {
	return transient(chart.GetCondition()) == transient(phase)
}

// transient is the kind of running that has charts of its own; empty for running engines.
func transient(condition string) string {
	for _, kind := range []string{"start", "motoring"} {
		if strings.HasPrefix(strings.ToLower(strings.TrimSpace(condition)), kind) {
			return kind
		}
	}
	return ""
}

// exceed records the readings that reach a chart of the engine model, in order of time, whether or not the analysis believes them:
// only quality lets go of what may have happened.
func (u unit) exceed(ctx context.Context, p store.Profile, model *performancev1.EngineModel, readings map[string]*performancev1.Reading) error {
	for _, data := range model.GetExceedanceCharts() {
		chart := chartOf(data)
		lowest := chart.Lowest()
		var over []*performancev1.Reading
		for _, r := range readings {
			if valueOf(r.GetValues(), data.GetParameter()) >= lowest && covers(data, r.GetPhase()) {
				over = append(over, r)
			}
		}
		slices.SortFunc(over, func(a, b *performancev1.Reading) int {
			return cmp.Or(a.GetReadTime().AsTime().Compare(b.GetReadTime().AsTime()), cmp.Compare(a.GetName(), b.GetName()))
		})
		for _, r := range over {
			if err := u.exceedOnce(ctx, p, onChart{model, data, chart}, r); err != nil {
				return err
			}
		}
	}
	return nil
}

// onChart is a chart with the model that it is of.
type onChart struct {
	model *performancev1.EngineModel
	data  *performancev1.ExceedanceChart
	chart *exceedance.Chart
}

// exceedOnce records a reading that reaches a chart, or adds it to the event that it is part of.
func (u unit) exceedOnce(ctx context.Context, p store.Profile, on onChart, r *performancev1.Reading) error {
	event, err := u.eventOf(ctx, p.Name, on.data, r)
	if err != nil {
		return err
	}
	switch {
	case event == nil && (aside(r) || r.GetState() == performancev1.Reading_DUPLICATE):
		return nil // a person knows of it, or another reading tells it
	case event == nil:
		fresh, err := on.seen(valueOf(r.GetValues(), on.data.GetParameter()))
		if err != nil {
			return err
		}
		fresh.Name, fresh.Source = exceedanceName(p.Name, on.data.GetId(), r.GetName()), performancev1.EngineExceedance_READING
		fresh.ExceedTime, fresh.Evidence, fresh.Doubt = r.GetReadTime(), []string{r.GetName()}, doubtOf(r)
		return u.addExceedance(ctx, p, fresh)
	case event.GetState() == performancev1.EngineExceedance_CLOSED:
		return nil
	}
	return u.follow(ctx, p, on, event, r)
}

// follow brings an open event in line with one of its readings. It becomes severer, never milder.
func (u unit) follow(ctx context.Context, p store.Profile, on onChart, event *performancev1.EngineExceedance, r *performancev1.Reading) error {
	before := event.GetSeverity()
	joined := !slices.Contains(event.GetEvidence(), r.GetName())
	if joined {
		event.Evidence = append(event.Evidence, r.GetName())
		if r.GetReadTime().AsTime().Before(event.GetExceedTime().AsTime()) {
			event.ExceedTime = r.GetReadTime()
		}
	}
	doubt, err := u.doubts(ctx, event)
	if err != nil {
		return err
	}
	changed := event.GetDoubt() != doubt
	event.Doubt = doubt
	now, err := on.seen(max(event.GetPeak().GetValue(), valueOf(r.GetValues(), on.data.GetParameter())))
	if err != nil {
		return err
	}
	severer := now.GetSeverity() > before || now.GetPeak().GetValue() > event.GetPeak().GetValue()
	if severer {
		event.Verdict, event.Zone, event.PossibleZone, event.Severity, event.Action = now.GetVerdict(), now.GetZone(), now.GetPossibleZone(), now.GetSeverity(), now.GetAction()
		event.Document, event.Peak, event.Explanation, event.ModelRevision = now.GetDocument(), now.GetPeak(), now.GetExplanation(), now.GetModelRevision()
	}
	if !changed && !joined && !severer {
		return nil
	}
	if err := store.Exceedances.Save(ctx, u.Tx, event, u.now); err != nil || now.GetSeverity() <= before {
		return err
	}
	return u.tellExceedance(ctx, p, "coldsection.performance.exceedance.recorded.v1", event)
}

func (on onChart) seen(value float64) (*performancev1.EngineExceedance, error) {
	s, err := on.chart.Glimpsed(value)
	return seenOn(on.model, on.data, s, "as read"), err
}

// eventOf is the recorded event that a reading is part of: its own, or an open one closer than the chart's reset time; nil without.
func (u unit) eventOf(ctx context.Context, engine string, data *performancev1.ExceedanceChart, r *performancev1.Reading) (*performancev1.EngineExceedance, error) {
	own, err := store.Exceedances.Lock(ctx, u.Tx, exceedanceName(engine, data.GetId(), r.GetName()))
	if err == nil || !fault.HasReason(err, "NOT_FOUND") {
		return own, err
	}
	at, reset := r.GetReadTime().AsTime(), time.Duration(data.GetResetSeconds()*float64(time.Second))
	condition, args := store.Under(engine + "/engineExceedances")
	args = append(args, data.GetId(), storage.Micros(at.Add(-reset)), storage.Micros(at.Add(reset)))
	near, err := store.Exceedances.Where(ctx, u.Tx, condition+" AND source = 'READING' AND chart = $3 AND exceed_time >= $4 AND exceed_time <= $5 ORDER BY exceed_time, name", args...)
	if err != nil {
		return nil, err
	}
	var open *performancev1.EngineExceedance
	for _, e := range near {
		if slices.Contains(e.GetEvidence(), r.GetName()) {
			return e, nil
		}
		if open == nil && e.GetState() == performancev1.EngineExceedance_OPEN && !aside(r) {
			open = e
		}
	}
	return open, nil
}

// doubts say why what an event rests on may not be true.
func (u unit) doubts(ctx context.Context, event *performancev1.EngineExceedance) (string, error) {
	var all []string
	for _, name := range event.GetEvidence() {
		r, err := store.Readings.Get(ctx, u.Tx, name)
		if err != nil {
			return "", err
		}
		if d := doubtOf(r); d != "" {
			all = append(all, d)
		}
	}
	return strings.Join(all, " "), nil
}

// doubtOf says why a reading may not be true; empty when nothing stands against it.
func doubtOf(r *performancev1.Reading) string {
	switch {
	case r.GetCorrectingReading() != "":
		return fmt.Sprintf("The reading was corrected by %s: %s", r.GetCorrectingReading(), r.GetStateText())
	case aside(r):
		return "The reading was taken out of the analysis: " + r.GetStateText()
	case r.GetState() == performancev1.Reading_HELD:
		return "The reading is held: " + r.GetStateText()
	}
	return ""
}
