package app

import (
	"cmp"
	"context"
	"fmt"
	"slices"
	"strings"
	"time"

	"google.golang.org/protobuf/proto"

	performancev1 "coldsection.example/proto/coldsection/performance/v1"
	"coldsection.example/services/performance/internal/exceedance"
	"coldsection.example/services/performance/internal/store"
	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/storage"
)

// recorded is an exceedance as its trace tells it. Reasons: those of traceOf, TRACE_INVALID, TRACE_AMBIGUOUS, TIME_IN_FUTURE.
func recorded(req *performancev1.CreateEngineExceedanceRequest, model *performancev1.EngineModel, data *performancev1.ExceedanceChart,
	now time.Time) (*performancev1.EngineExceedance, error) {
	samples, err := traceOf(req.GetTrace(), data)
	if err != nil {
		return nil, err
	}
	if samples, err = exceedance.Ordered(samples); err != nil {
		return nil, err
	}
	last := samples[len(samples)-1].At
	if last > now.Sub(req.GetExceedTime().AsTime()).Seconds() {
		return nil, fault.Invalid("trace", "TIME_IN_FUTURE", "The last sample, %g s after the exceedance's time, has not come yet. Correct the time, or count the offsets from it.", last)
	}
	zones := chartOf(data)
	events, err := zones.Judge(samples)
	if err != nil {
		return nil, err
	}
	e := told(zones, samples, events, model, data)
	e.TraceSampleCount = int32(len(samples))
	return e, nil
}

// told is all that the events of a trace say together: the severest zones that any of them meets, and the words of the severest event.
func told(zones *exceedance.Chart, samples []exceedance.Sample, events []exceedance.Event, model *performancev1.EngineModel,
	data *performancev1.ExceedanceChart) *performancev1.EngineExceedance {
	if len(events) == 0 {
		highest := slices.MaxFunc(samples, func(a, b exceedance.Sample) int { return cmp.Compare(a.Value, b.Value) })
		e := seenOn(model, data, exceedance.Sighting{Peak: highest.Value, Zone: -1, WorstZone: -1}, fmt.Sprintf("the highest of %d samples", len(samples)))
		e.Explanation = fmt.Sprintf("No sample of the trace reaches the lowest value of any zone, %.6g; the highest is %.6g.", zones.Lowest(), highest.Value)
		return e
	}
	worst := severest(zones, events, 1)[0]
	seen := exceedance.Sighting{Zone: -1, WorstZone: -1, Duration: worst.Duration, Timed: true, Peak: worst.Peak}
	for i := range events {
		seen.Zone, seen.WorstZone = zones.Severer(seen.Zone, events[i].Zone), zones.Severer(seen.WorstZone, events[i].WorstZone)
		seen.Beyond, seen.Peak = seen.Beyond || events[i].Beyond, max(seen.Peak, events[i].Peak)
	}
	how := "read off the trace"
	if worst.AtLeast() {
		how += ", at least: samples are missing"
	}
	e := seenOn(model, data, seen, how)
	e.Explanation = worst.Words(zones)
	if more := len(events) - 1; more > 0 {
		e.Explanation += fmt.Sprintf(" The trace holds %d more such events, none of them severer.", more)
	}
	return e
}

func (u unit) keepTrace(ctx context.Context, name string, t *performancev1.ExceedanceTrace) error {
	if t == nil {
		return nil
	}
	t = proto.CloneOf(t)
	slices.SortStableFunc(t.GetSamples(), func(a, b *performancev1.TraceSample) int {
		return cmp.Compare(a.GetOffsetSeconds(), b.GetOffsetSeconds())
	})
	t.Samples = slices.CompactFunc(t.GetSamples(), func(a, b *performancev1.TraceSample) bool { return proto.Equal(a, b) })
	return store.KeepTrace(ctx, u.Tx, name, t)
}

// EngineExceedance reads an exceedance with its trace.
func (a *App) EngineExceedance(ctx context.Context, name string) (*performancev1.EngineExceedance, error) {
	e, err := store.Exceedances.Read(ctx, a.DB, name)
	if err != nil || e.GetTraceSampleCount() == 0 {
		return e, err
	}
	return e, a.DB.View(ctx, func(ctx context.Context, tx *storage.Tx) error {
		e.Trace, err = store.TraceOf(ctx, tx, name)
		return err
	})
}

// RenderEngineExceedance draws a recorded exceedance on the chart that it was judged by. Reason: TRACE_NOT_KEPT.
func (a *App) RenderEngineExceedance(ctx context.Context, req *performancev1.RenderEngineExceedanceRequest) (*performancev1.RenderEngineExceedanceResponse, error) {
	e, err := a.EngineExceedance(ctx, req.GetName())
	switch {
	case err != nil:
		return nil, err
	case e.GetTrace() == nil:
		return nil, fault.Precondition("TRACE_NOT_KEPT",
			"%s was recorded without a trace, so there is nothing to draw. Where the recorder has one, draw it with the engine model's renderExceedance.", e.GetName())
	}
	var model *performancev1.EngineModel
	var profile store.Profile
	err = a.DB.View(ctx, func(ctx context.Context, tx *storage.Tx) error {
		if model, err = store.ModelAt(ctx, tx, e.GetEngineModel(), e.GetModelRevision()); err != nil {
			return err
		}
		engine, _, _ := strings.Cut(e.GetName(), "/engineExceedances/")
		profile, _, err = store.FindProfile(ctx, tx, engine)
		return err
	})
	if err != nil {
		return nil, err
	}
	data, err := chartNamed(model, e.GetChart())
	if err != nil {
		return nil, err
	}
	picture, err := pictured(e.GetTrace(), model, data)
	if err != nil {
		return nil, err
	}
	at := e.GetExceedTime().AsTime().UTC()
	picture.Engine = fmt.Sprintf("Engine %s; 0 s is %s.", profile.Serial, at.Format("2006-01-02 15:04:05 UTC"))
	d, err := drawn(picture, req.GetFormat(), fmt.Sprintf("exceedance-%s-%s", plainSerial(profile.Serial), at.Format("20060102-150405")))
	return &performancev1.RenderEngineExceedanceResponse{Content: d.GetContent(), AlternativeText: d.GetAlternativeText(), MediaType: d.GetMediaType(), FileName: d.GetFileName()}, err
}
