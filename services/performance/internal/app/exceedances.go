package app

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"strings"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	performancev1 "coldsection.example/proto/coldsection/performance/v1"
	workordersv1 "coldsection.example/proto/coldsection/workorders/v1"
	"coldsection.example/services/performance/internal/exceedance"
	"coldsection.example/services/performance/internal/store"
	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/idempotency"
	"coldsection.example/services/platform/quantity"
	"coldsection.example/services/platform/resource"
	"coldsection.example/services/platform/storage"
)

// CreateEngineExceedance records an exceedance that somebody saw.
func (a *App) CreateEngineExceedance(ctx context.Context, req *performancev1.CreateEngineExceedanceRequest) (*performancev1.EngineExceedance, error) {
	profile, err := a.know(ctx, req.GetParent())
	if err != nil {
		return nil, err
	}
	return idempotency.Execute(ctx, a.DB, a.Clock, req, func(ctx context.Context, tx *storage.Tx) (*performancev1.EngineExceedance, error) {
		u := a.unit(ctx, tx)
		if req.GetExceedTime().AsTime().After(u.now) {
			return nil, fault.Invalid("exceed_time", "TIME_IN_FUTURE", "The exceedance's time has not come yet. Correct it.")
		}
		model, err := store.Models.Get(ctx, tx, profile.Model)
		if err != nil {
			return nil, err
		}
		data, err := chartNamed(model, req.GetChart())
		if err != nil {
			return nil, err
		}
		e, err := stated(req, model, data, u.now)
		if err != nil {
			return nil, err
		}
		e.Name, e.Source, e.ExceedTime = a.newName(profile.Name+"/engineExceedances", req.GetEngineExceedanceId()), performancev1.EngineExceedance_PERSON, req.GetExceedTime()
		e.Note, e.Person = req.GetNote(), u.caller.Person
		if err := u.addExceedance(ctx, profile, e); err != nil {
			return nil, err
		}
		if err := u.keepTrace(ctx, e.GetName(), req.GetTrace()); err != nil {
			return nil, err
		}
		if err := u.analyse(ctx, profile.Name); err != nil {
			return nil, err
		}
		return store.Exceedances.Get(ctx, tx, e.GetName())
	})
}

// stated is an exceedance as somebody tells of it: by its trace, or else by its highest value. Reasons: EXCEEDANCE_UNSTATED and those of
// traced and of sightingOf.
func stated(req *performancev1.CreateEngineExceedanceRequest, model *performancev1.EngineModel, data *performancev1.ExceedanceChart, now time.Time) (*performancev1.EngineExceedance, error) {
	if (req.GetTrace() == nil) == (req.GetPeak() == nil) || req.GetTrace() != nil && req.GetDuration() != nil {
		return nil, fault.Invalid("peak", "EXCEEDANCE_UNSTATED",
			"An exceedance is recorded by its trace alone, or without one by its highest value and, where known, its duration. Give one of the two.")
	}
	if req.GetTrace() != nil {
		return recorded(req, model, data, now)
	}
	seen, err := sightingOf(req, data)
	if err != nil {
		return nil, err
	}
	return seenOn(model, data, seen, "as entered"), nil
}

// sightingOf holds an entered peak, with its duration where it is known, against a chart.
func sightingOf(req *performancev1.CreateEngineExceedanceRequest, data *performancev1.ExceedanceChart) (exceedance.Sighting, error) {
	peak, err := measured("peak", req.GetPeak(), units[data.GetParameter()].dimension)
	if err != nil {
		return exceedance.Sighting{}, err
	}
	if req.GetDuration() == nil {
		return chartOf(data).Glimpsed(peak)
	}
	duration, err := measured("duration", req.GetDuration(), quantity.Time)
	if err != nil {
		return exceedance.Sighting{}, err
	}
	return chartOf(data).Timed(peak, duration)
}

// seenOn is an open exceedance as a chart judges it.
func seenOn(model *performancev1.EngineModel, data *performancev1.ExceedanceChart, s exceedance.Sighting, how string) *performancev1.EngineExceedance {
	chart, unit, source := chartOf(data), units[data.GetParameter()].code, cite(data.GetDocument(), model)
	e := &performancev1.EngineExceedance{
		State: performancev1.EngineExceedance_OPEN, Chart: data.GetId(), Document: data.GetDocument(), EngineModel: model.GetName(), ModelRevision: model.GetRevision(),
		Verdict: performancev1.EngineExceedance_NO_ZONE, Peak: step("Peak", s.Peak, unit, how, source), Explanation: s.Words(chart),
	}
	if s.Timed {
		e.Duration = step("Duration", s.Duration, "s", how, source)
	}
	if s.Zone >= 0 {
		e.Verdict, e.Zone = performancev1.EngineExceedance_ZONE_MET, chart.Zones[s.Zone].ID
	}
	if s.WorstZone >= 0 {
		z := chart.Zones[s.WorstZone]
		e.PossibleZone, e.Severity, e.Action = z.ID, int32(z.Severity), z.Action
	}
	if s.Unsure() {
		e.Verdict = performancev1.EngineExceedance_CANNOT_TELL
	}
	return e
}

// addExceedance keeps an exceedance and tells of it.
func (u unit) addExceedance(ctx context.Context, p store.Profile, e *performancev1.EngineExceedance) error {
	if err := store.Exceedances.Insert(ctx, u.Tx, e, u.now); err != nil {
		return err
	}
	return u.tellExceedance(ctx, p, "coldsection.performance.exceedance.recorded.v1", e)
}

func (u unit) tellExceedance(ctx context.Context, p store.Profile, typ string, e *performancev1.EngineExceedance) error {
	return u.publish(ctx, typ, p.Name, &performancev1.ExceedanceChanged{Engine: p.Name, EngineSerial: p.Serial, EngineExceedance: e})
}

// Motored records a run of the starter that broke its duty limits, once for each run.
func (a *App) Motored(ctx context.Context, tx *storage.Tx, fact *workordersv1.MotoringRecorded) error {
	u, run := a.unit(ctx, tx), fact.GetMotoringRun()
	profile, ok, err := store.FindProfile(ctx, tx, fact.GetEngine())
	if err != nil || !ok {
		return fault.Precondition("ENGINE_UNKNOWN", "%s is not known here.", fact.GetEngine()).Because(err)
	}
	model, err := store.Models.Get(ctx, tx, profile.Model)
	if err != nil && !fault.HasReason(err, "NOT_FOUND") {
		return err
	}
	cause := []string{run.GetName()}
	if fact.GetCorrectedRun() != "" { // judged anew: another finding than the one that was told before, which may be closed
		cause = append(cause, run.GetExceedanceText())
	}
	err = u.addExceedance(ctx, profile, &performancev1.EngineExceedance{
		Name: exceedanceName(profile.Name, cause...), Source: performancev1.EngineExceedance_MOTORING, State: performancev1.EngineExceedance_OPEN,
		ExceedTime: run.GetStartTime(), Verdict: performancev1.EngineExceedance_LIMIT_BROKEN, Explanation: run.GetExceedanceText(), Evidence: []string{run.GetName()},
		WorkOrder: fact.GetWorkOrder(), Document: model.GetDocument(), EngineModel: profile.Model, ModelRevision: model.GetRevision(), Note: run.GetRemarks(),
		Action: "What the approved maintenance data ask for after a motoring run beyond its limits.", Person: run.GetPerson(),
		Duration: step("Length of the run", run.GetEndTime().AsTime().Sub(run.GetStartTime().AsTime()).Seconds(), "s", "from engaging to releasing the starter", run.GetName()),
	})
	switch {
	case fault.HasReason(err, "ALREADY_EXISTS"):
		return nil
	case err != nil || model == nil: // without a model nothing is worked out
		return err
	}
	return u.analyse(ctx, profile.Name)
}

// exceedanceName is the same for the same cause, whenever and however often it is told.
func exceedanceName(engine string, cause ...string) string {
	sum := sha256.Sum256([]byte(strings.Join(cause, "\x00")))
	return engine + "/engineExceedances/x" + hex.EncodeToString(sum[:])[:31]
}

// CloseEngineExceedance closes an exceedance for quality's reason.
func (a *App) CloseEngineExceedance(ctx context.Context, req *performancev1.CloseEngineExceedanceRequest) (*performancev1.EngineExceedance, error) {
	return idempotency.Execute(ctx, a.DB, a.Clock, req, func(ctx context.Context, tx *storage.Tx) (*performancev1.EngineExceedance, error) {
		u := a.unit(ctx, tx)
		e, err := store.Exceedances.Lock(ctx, tx, req.GetName())
		if err != nil {
			return nil, err
		}
		if err := resource.CheckEtag(e, req.GetEtag()); err != nil {
			return nil, err
		}
		if e.GetState() == performancev1.EngineExceedance_CLOSED {
			return nil, fault.Precondition("EXCEEDANCE_CLOSED", "%s was closed by %s: %s. It stays as it is.", e.GetName(), e.GetClosePerson(), e.GetCloseReason())
		}
		e.State, e.CloseReason, e.ClosePerson, e.CloseTime = performancev1.EngineExceedance_CLOSED, req.GetReason(), u.caller.Person, timestamppb.New(u.now)
		if err := store.Exceedances.Save(ctx, tx, e, u.now); err != nil {
			return nil, err
		}
		engine, _, _ := strings.Cut(e.GetName(), "/engineExceedances/")
		profile, _, err := store.FindProfile(ctx, tx, engine)
		if err != nil {
			return nil, err
		}
		if err := u.tellExceedance(ctx, profile, "coldsection.performance.exceedance.closed.v1", e); err != nil {
			return nil, err
		}
		err = u.analyse(ctx, engine)
		if fault.HasReason(err, "NOT_FOUND") { // an engine without a model was never worked out
			err = nil
		}
		return e, err
	})
}

// noteExceedances puts the open exceedances before everything that an assessment says.
func (u unit) noteExceedances(ctx context.Context, now *performancev1.Assessment) error {
	condition, args := store.Under(now.GetEngine() + "/engineExceedances")
	open, err := store.Exceedances.Where(ctx, u.Tx, condition+" AND state = 'OPEN' ORDER BY exceed_time, name", args...)
	if err != nil || len(open) == 0 {
		return err
	}
	var words []string
	for _, e := range open {
		now.OpenExceedances = append(now.OpenExceedances, e.GetName())
		words = append(words, inWords(e))
	}
	now.ExceedanceNotice = fmt.Sprintf("Action by the approved maintenance data is required before the next flight, until quality closes it: %s.", strings.Join(words, "; "))
	now.Level, now.Summary = performancev1.ConditionLevel_CONDITION_LEVEL_ACT, now.GetExceedanceNotice()+" "+now.GetSummary()
	return nil
}

// labelOf is a unit as people read it.
func labelOf(code string) string {
	if unit, err := quantity.Lookup(code); err == nil {
		return unit.Label
	}
	return code
}

// inWords is an exceedance in a part of a sentence.
func inWords(e *performancev1.EngineExceedance) string {
	what := "motoring run"
	if e.GetPeak() != nil {
		what = fmt.Sprintf("%s %.6g %s", e.GetChart(), e.GetPeak().GetValue(), labelOf(e.GetPeak().GetUnitCode()))
	}
	switch {
	case e.GetVerdict() == performancev1.EngineExceedance_LIMIT_BROKEN:
		what += " beyond its limits"
	case e.GetVerdict() == performancev1.EngineExceedance_NO_ZONE:
		what += ", no zone met"
	case e.GetVerdict() == performancev1.EngineExceedance_ZONE_MET:
		what += ", zone " + e.GetZone()
	case e.GetPossibleZone() != "":
		what += ", perhaps zone " + e.GetPossibleZone()
	}
	if e.GetDoubt() != "" {
		what += ", in doubt"
	}
	return "exceedance of " + e.GetExceedTime().AsTime().UTC().Format(time.DateOnly) + " (" + what + ")"
}
