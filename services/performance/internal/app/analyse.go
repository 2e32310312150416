package app

import (
	"context"
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	performancev1 "coldsection.example/proto/coldsection/performance/v1"
	"coldsection.example/services/performance/internal/airspeed"
	"coldsection.example/services/performance/internal/analysis"
	"coldsection.example/services/performance/internal/baseline"
	"coldsection.example/services/performance/internal/store"
	"coldsection.example/services/platform/fault"
)

const coverage = 90.0 // per cent, of every interval

var eventKinds = map[performancev1.EngineEvent_Kind]string{
	performancev1.EngineEvent_RECOVERY_WASH: "recovery_wash", performancev1.EngineEvent_SALT_RINSE: "salt_rinse",
	performancev1.EngineEvent_HOT_SECTION: "hot_section", performancev1.EngineEvent_SENSOR_WORK: "sensor_work",
	performancev1.EngineEvent_OVERHAUL: "overhaul", performancev1.EngineEvent_OTHER: "other",
}

var readingStates = map[analysis.State]performancev1.Reading_State{
	analysis.Accepted: performancev1.Reading_ACCEPTED, analysis.Held: performancev1.Reading_HELD, analysis.Outlier: performancev1.Reading_OUTLIER,
	analysis.Excluded: performancev1.Reading_EXCLUDED, analysis.Duplicate: performancev1.Reading_DUPLICATE,
}

// analyse works an engine out anew from all its readings and events, saves what changed and tells what follows.
func (u unit) analyse(ctx context.Context, engine string) error {
	profile, data, err := u.engine(ctx, engine)
	if err != nil {
		return err
	}
	if _, _, err := store.LockTracker(ctx, u.Tx, engine); err != nil {
		return err
	}
	_, err = u.anew(ctx, profile, data)
	return err
}

// engine finds what an engine is, and its model with the fitted baseline. Reason: ENGINE_UNKNOWN.
func (u unit) engine(ctx context.Context, name string) (p store.Profile, data engineData, err error) {
	p, ok, err := store.FindProfile(ctx, u.Tx, name)
	if err != nil || !ok {
		return p, data, fault.Precondition("ENGINE_UNKNOWN", "%s is not known here.", name).Because(err)
	}
	data.model, data.fitted, err = u.baselineOf(ctx, p.Model)
	return p, data, err
}

// anew is analyse under the tracker's lock. It returns all readings by name, as they stand now.
func (u unit) anew(ctx context.Context, p store.Profile, data engineData) (map[string]*performancev1.Reading, error) {
	condition, args := store.Under(p.Name + "/readings")
	stored, err := store.Readings.Where(ctx, u.Tx, condition, args...)
	if err != nil {
		return nil, err
	}
	events, err := u.eventsOf(ctx, p.Name)
	if err != nil {
		return nil, err
	}
	byID, readings := readingsOf(stored)
	result, tracker := analysis.AnalyseFrom(data.fitted, readings, events, rulesOf(data.model))
	if err := u.takeBack(ctx, p, result); err != nil {
		return nil, err
	}
	return byID, u.save(ctx, p, data, result, tracker, byID)
}

// readingsOf are stored readings as the analysis takes them, and the stored ones by name.
func readingsOf(stored []*performancev1.Reading) (byID map[string]*performancev1.Reading, readings []analysis.Reading) {
	byID = make(map[string]*performancev1.Reading, len(stored))
	for _, r := range stored {
		byID[r.GetName()] = r
	}
	return byID, toAnalyse(stored)
}

// toAnalyse are readings as the analysis takes them.
func toAnalyse(stored []*performancev1.Reading) []analysis.Reading {
	readings := make([]analysis.Reading, len(stored))
	for i, r := range stored {
		readings[i] = analysis.Reading{
			ID: r.GetName(), At: r.GetReadTime().AsTime(), Hours: r.GetValues().GetOperatingHours(), Point: pointOf(r.GetValues()),
			Excluded: aside(r), Included: r.GetStateReason() == includedReason, Unread: unread(r),
		}
	}
	return readings
}

// unread says whether nobody read the airspeed of a reading that is of no engine at rest.
func unread(r *performancev1.Reading) bool {
	phase, altitude := r.GetPhase(), r.GetValues().GetPressureAltitudeM()
	switch {
	case r.GetAirspeed() == nil:
		return !airspeed.AtRest(phase, altitude)
	case r.GetValues().GetAirspeedKt() == 0:
		return !airspeed.Believed(phase, altitude)
	default:
		return false
	}
}

// engineData are an engine's model and the baseline fitted to it.
type engineData struct {
	model  *performancev1.EngineModel
	fitted *baseline.Model
}

// save keeps what an analysis said, and the tracker that goes on from it.
func (u unit) save(ctx context.Context, p store.Profile, data engineData, result analysis.Result, tracker *analysis.Tracker,
	byID map[string]*performancev1.Reading) error {
	if err := u.saveVerdicts(ctx, data.model, result, byID); err != nil {
		return err
	}
	if err := u.exceed(ctx, p, data.model, byID); err != nil {
		return err
	}
	if err := u.saveAdvices(ctx, p, result); err != nil {
		return err
	}
	var err error
	if result.Shifts, err = u.twins(ctx, p.Name, rulesOf(data.model), result.Shifts); err != nil {
		return err
	}
	if result.Shifts, err = u.checked(ctx, p.Name, result.Shifts); err != nil {
		return err
	}
	if err := u.saveRecoveries(ctx, p, result); err != nil {
		return err
	}
	if err := u.saveAssessment(ctx, p, data, result); err != nil {
		return err
	}
	body, err := tracker.Freeze()
	if err != nil {
		return err
	}
	return store.SaveTracker(ctx, u.Tx, p.Name, basisOf(data.model), body)
}

func (u unit) eventsOf(ctx context.Context, engine string) ([]analysis.Event, error) {
	stored, err := store.StandingEvents(ctx, u.Tx, engine)
	var events []analysis.Event
	for _, e := range stored {
		if e.GetKind() == performancev1.EngineEvent_CHECK {
			continue // it changes nothing
		}
		events = append(events, analysis.Event{At: e.GetEventTime().AsTime(), Hours: e.GetOperatingHours(), Kind: eventKinds[e.GetKind()], WorkOrder: e.GetWorkOrder()})
	}
	return events, err
}

var outcomes = map[analysis.Outcome]performancev1.Recovery_Verdict{
	analysis.Recovered: performancev1.Recovery_RECOVERED, analysis.NotRecovered: performancev1.Recovery_NOT_RECOVERED, analysis.CannotTell: performancev1.Recovery_CANNOT_TELL,
}

// saveRecoveries writes what each wash recovered and tells when a verdict changed.
func (u unit) saveRecoveries(ctx context.Context, p store.Profile, result analysis.Result) error {
	for _, r := range result.Recoveries {
		fresh := &performancev1.Recovery{
			Name: fmt.Sprintf("%s/recoveries/w%d", p.Name, r.At.Unix()), Engine: p.Name, EngineSerial: p.Serial, WorkOrder: r.WorkOrder,
			WashTime: timestamppb.New(r.At), IttStepC: interval(r.ITT), NgStepPct: interval(r.Ng), FuelFlowStepPct: interval(r.Fuel),
			PriorReadingCount: int32(r.Before), LaterReadingCount: int32(r.After), Verdict: outcomes[r.Outcome], Explanation: r.Text, ComputeTime: timestamppb.New(u.now),
		}
		if r.Outcome == analysis.NotRecovered {
			fresh.OtherCauses = otherCauses(result, r.At)
		}
		old, err := store.Recoveries.Lock(ctx, u.Tx, fresh.GetName())
		switch {
		case fault.HasReason(err, "NOT_FOUND"):
			err = store.Recoveries.Insert(ctx, u.Tx, fresh, u.now)
		case err == nil:
			if sameRecovery(old, fresh) {
				continue
			}
			err = store.Recoveries.Save(ctx, u.Tx, fresh, u.now)
		}
		if err != nil {
			return err
		}
		if old.GetVerdict() == fresh.GetVerdict() {
			continue
		}
		if err := u.publish(ctx, "coldsection.performance.recovery.computed.v1", p.Name, &performancev1.RecoveryComputed{
			Engine: p.Name, Recovery: fresh.GetName(), WorkOrder: fresh.GetWorkOrder(), Verdict: fresh.GetVerdict(), IttStepC: fresh.GetIttStepC(), Explanation: fresh.GetExplanation(),
			OtherCauses: fresh.GetOtherCauses(),
		}); err != nil {
			return err
		}
	}
	return nil
}

// sameRecovery says whether two recoveries say the same: what was said of ITT may stay while fuel flow or Ng changed, as after a correction of theirs.
func sameRecovery(old, fresh *performancev1.Recovery) bool {
	a, b := proto.CloneOf(old), proto.CloneOf(fresh)
	a.ComputeTime, a.OtherCauses, b.ComputeTime, b.OtherCauses = nil, nil, nil, nil
	return proto.Equal(a, b) && slices.EqualFunc(old.GetOtherCauses(), fresh.GetOtherCauses(), sameCause)
}

// otherCauses are the causes but dirt of the newest change that began before a wash: what else may be behind a level that the
// wash did not bring back.
func otherCauses(result analysis.Result, wash time.Time) []*performancev1.Cause {
	shifts := shiftsOf(result)
	for _, s := range slices.Backward(shifts) {
		if s.GetOnsetTime().AsTime().Before(wash) {
			return slices.DeleteFunc(s.GetCauses(), func(c *performancev1.Cause) bool { return c.GetCause() == "fouling" })
		}
	}
	return nil
}

// sameCause says whether two causes are told alike.
func sameCause(a, b *performancev1.Cause) bool {
	return a.GetCause() == b.GetCause() && math.Abs(a.GetProbability()-b.GetProbability()) < leastProbable
}

func interval(e analysis.Estimate) *performancev1.Interval {
	if e.Half > 1e6 {
		return nil
	}
	return &performancev1.Interval{Estimate: e.Value, Lower: e.Value - e.Half, Upper: e.Value + e.Half, CoveragePct: coverage}
}

// saveAssessment writes how the engine stands now, and tells when its level changed.
func (u unit) saveAssessment(ctx context.Context, p store.Profile, data engineData, result analysis.Result) error {
	fresh := &performancev1.Assessment{
		Name: p.Name + "/assessment", Engine: p.Name, EngineSerial: p.Serial, EngineModel: p.Model, ModelRevision: data.model.GetRevision(),
		IttDeviationC: interval(result.Level), NgDeviationPct: interval(result.Ng), FuelFlowDeviationPct: interval(result.Fuel),
		IttSlopeCPer_100H: interval(result.Slope), ReadingsUsed: int32(result.Used), ReadingsHeld: int32(result.Kept), ComputeTime: timestamppb.New(u.now),
		Shifts: shiftsOf(result), Sources: sourcesOf(data.model),
	}
	var err error
	if fresh.Margin, err = u.marginOf(ctx, p.Name, data, result); err != nil {
		return err
	}
	if n := len(fresh.GetShifts()); n > 0 {
		fresh.Causes, fresh.CauseVerdict = fresh.GetShifts()[n-1].GetCauses(), fresh.GetShifts()[n-1].GetVerdict()
	}
	if result.Based {
		fresh.IttAdviceC = result.Reference + analysis.Worth(rulesOf(data.model))
	}
	if result.Used > 0 {
		fresh.LatestReadTime = timestamppb.New(result.Last)
	}
	if result.Cycle > 0 {
		fresh.LatestWashTime, fresh.WashAgeHours = timestamppb.New(result.Wash.At), result.WashAge
	}
	open, err := u.openAdvice(ctx, p.Name)
	if err != nil {
		return err
	}
	fresh.Level, fresh.Summary = levelOf(result, open)
	if err := u.noteExceedances(ctx, fresh); err != nil {
		return err
	}
	old, err := store.Assessments.Lock(ctx, u.Tx, fresh.GetName())
	switch {
	case fault.HasReason(err, "NOT_FOUND"):
		err = store.Assessments.Insert(ctx, u.Tx, fresh, u.now)
	case err == nil:
		err = store.Assessments.Save(ctx, u.Tx, fresh, u.now)
	}
	if err != nil || old.GetLevel() == fresh.GetLevel() {
		return err
	}
	return u.publish(ctx, "coldsection.performance.level.changed.v1", p.Name, &performancev1.AssessmentComputed{
		Engine: p.Name, Level: fresh.GetLevel(), PreviousLevel: old.GetLevel(), Summary: fresh.GetSummary(), LatestReadTime: fresh.GetLatestReadTime(),
	})
}

func (u unit) openAdvice(ctx context.Context, engine string) (*performancev1.WashAdvice, error) {
	condition, args := store.Under(engine + "/washAdvices")
	open, err := store.Advices.Where(ctx, u.Tx, condition+" AND state = 'OPEN' ORDER BY advise_time DESC", args...)
	if err != nil || len(open) == 0 {
		return nil, err
	}
	return open[0], nil
}

func levelOf(result analysis.Result, open *performancev1.WashAdvice) (performancev1.ConditionLevel, string) {
	level := result.Level
	words := fmt.Sprintf("Gas temperature %+.1f °C from a clean engine, 90 %% interval %+.1f to %+.1f, from %d readings", level.Value, level.Value-level.Half,
		level.Value+level.Half, result.Used)
	switch {
	case result.Used < 8 || level.Half > 1e6:
		return performancev1.ConditionLevel_CONDITION_LEVEL_NO_DATA, fmt.Sprintf("Not enough readings to say: %d.", result.Used)
	case open != nil:
		return performancev1.ConditionLevel_CONDITION_LEVEL_PLAN, words + ". A wash is advised: " + strings.Join(open.GetReasons(), "; ") + "."
	case result.Withheld != "":
		return performancev1.ConditionLevel_CONDITION_LEVEL_WATCH, words + ". No wash is advised: " + result.Withheld + "."
	case level.Value-result.Reference > level.Half+result.Noise/2:
		return performancev1.ConditionLevel_CONDITION_LEVEL_WATCH, words + fmt.Sprintf("; the last reference was %+.1f °C.", result.Reference)
	default:
		return performancev1.ConditionLevel_CONDITION_LEVEL_STEADY, words + "."
	}
}

// Mark puts something done to an engine on its time line, once, and works the engine out anew.
func (u unit) mark(ctx context.Context, e *performancev1.EngineEvent, engine string) error {
	err := store.Events.Insert(ctx, u.Tx, e, u.now)
	if fault.HasReason(err, "ALREADY_EXISTS") {
		return nil
	}
	if err != nil {
		return err
	}
	return u.analyse(ctx, engine)
}
