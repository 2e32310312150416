package app

import (
	"context"
	"strings"

	performancev1 "coldsection.example/proto/coldsection/performance/v1"
	workordersv1 "coldsection.example/proto/coldsection/workorders/v1"
	"coldsection.example/services/performance/internal/regress"
	"coldsection.example/services/performance/internal/store"
	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/idempotency"
	"coldsection.example/services/platform/storage"
)

// kinds of released work that stand on the time line.
var released = map[string]performancev1.EngineEvent_Kind{
	"RECOVERY_WASH": performancev1.EngineEvent_RECOVERY_WASH, "SALT_RINSE": performancev1.EngineEvent_SALT_RINSE,
	"TEMPERATURE_TRIM_CHECK": performancev1.EngineEvent_SENSOR_WORK, "SENSE_LINE_HEATER_CHECK": performancev1.EngineEvent_SENSOR_WORK,
}

// Know is know for the reactions to facts.
func (a *App) Know(ctx context.Context, engine string) error {
	_, err := a.know(ctx, engine)
	return err
}

// Released marks released work on the engine's time line; a wash counts from when the engine was last wetted. A check that found
// everything sound changed nothing: it is evidence and no work.
func (a *App) Released(ctx context.Context, tx *storage.Tx, fact *workordersv1.WorkOrderChanged) error {
	kind, marked := released[fact.GetKind()]
	if !marked {
		return nil
	}
	if found := foundBy(fact); found != nil {
		if err := a.unit(ctx, tx).mark(ctx, found, fact.GetEngine()); err != nil || found.GetCheckResult() == performancev1.EngineEvent_SOUND {
			return err
		}
	}
	at := fact.GetLastWettingTime()
	if at == nil {
		at = fact.GetEventTime()
	}
	return a.unit(ctx, tx).mark(ctx, &performancev1.EngineEvent{
		Name: fact.GetEngine() + "/engineEvents/" + strings.TrimPrefix(fact.GetWorkOrder(), "workOrders/"), Kind: kind, EventTime: at,
		OperatingHours: float64(fact.GetCounters().GetOperatingSeconds()) / 3600, WorkOrder: fact.GetWorkOrder(), Note: "Released work order " + fact.GetNumber(),
	}, fact.GetEngine())
}

// CreateEngineEvent marks something from before the suite was in use.
func (a *App) CreateEngineEvent(ctx context.Context, req *performancev1.CreateEngineEventRequest) (*performancev1.EngineEvent, error) {
	profile, err := a.know(ctx, req.GetParent())
	if err != nil {
		return nil, err
	}
	return idempotency.Execute(ctx, a.DB, a.Clock, req, func(ctx context.Context, tx *storage.Tx) (*performancev1.EngineEvent, error) {
		u := a.unit(ctx, tx)
		e := req.GetEngineEvent()
		if e.GetEventTime().AsTime().After(u.now) {
			return nil, fault.Invalid("engine_event.event_time", "TIME_IN_FUTURE", "The event's time has not come yet. Correct it.")
		}
		if err := checkEvent(e); err != nil {
			return nil, err
		}
		e.Name = a.newName(profile.Name+"/engineEvents", req.GetEngineEventId())
		return e, u.mark(ctx, e, profile.Name)
	})
}

// Trend reads an engine's deviations with what was done to it.
func (a *App) Trend(ctx context.Context, req *performancev1.GetTrendRequest) (*performancev1.Trend, error) {
	engine, _ := strings.CutSuffix(req.GetName(), "/trend")
	trend := &performancev1.Trend{Name: req.GetName(), CoveragePct: coverage}
	err := a.DB.View(ctx, func(ctx context.Context, tx *storage.Tx) error {
		condition, args := store.Under(engine + "/readings")
		readings, err := store.Readings.Where(ctx, tx, condition+" ORDER BY read_time, name", args...)
		if err != nil {
			return err
		}
		if trend.Events, err = store.StandingEvents(ctx, tx, engine); err != nil {
			return err
		}
		condition, args = store.Under(engine + "/engineExceedances")
		if trend.Exceedances, err = store.Exceedances.Where(ctx, tx, condition+" ORDER BY exceed_time, name", args...); err != nil {
			return err
		}
		trend.Points = points(readings, trend.GetEvents(), req)
		band(trend.GetPoints())
		now, err := store.Assessments.Get(ctx, tx, engine+"/assessment")
		if err != nil {
			return err
		}
		trend.Summary, trend.IttAdviceC = now.GetSummary(), now.GetIttAdviceC()
		trend.Baseline = now.GetEngineModel() + ", a polynomial of referred power, Mach number, propeller speed and altitude fitted to its table"
		return nil
	})
	return trend, err
}

const defaultPoints = 2000

// points are the readings with the level so far; it begins anew with the work that was done on the engine.
func points(readings []*performancev1.Reading, work []*performancev1.EngineEvent, req *performancev1.GetTrendRequest) []*performancev1.TrendPoint {
	var out []*performancev1.TrendPoint
	var level *performancev1.Deviation
	since := 0
	for _, r := range readings {
		for len(work) > 0 && !work[0].GetEventTime().AsTime().After(r.GetReadTime().AsTime()) {
			if work[0].GetKind() != performancev1.EngineEvent_CHECK { // which changes nothing
				since = 0
			}
			work = work[1:]
		}
		p := &performancev1.TrendPoint{Reading: r.GetName(), ReadTime: r.GetReadTime(), OperatingHours: r.GetValues().GetOperatingHours(), State: r.GetState(), Deviation: r.GetDeviation()}
		if r.GetState() == performancev1.Reading_ACCEPTED && r.GetDeviation() != nil {
			since++
			level = smooth(level, r.GetDeviation(), max(levelWeight, 1/float64(since)))
			p.Level = level
		}
		at := r.GetReadTime().AsTime()
		if req.GetStartTime() != nil && at.Before(req.GetStartTime().AsTime()) || req.GetEndTime() != nil && at.After(req.GetEndTime().AsTime()) {
			continue
		}
		out = append(out, p)
	}
	limit := int(req.GetMaxPoints())
	if limit == 0 {
		limit = defaultPoints
	}
	return out[max(0, len(out)-limit):]
}

// levelWeight is what a reading counts in the level, once there are enough for an exponentially weighted mean.
const levelWeight = 0.2

// smooth moves the level towards a reading.
func smooth(level, d *performancev1.Deviation, weight float64) *performancev1.Deviation {
	mix := func(a, b float64) float64 { return regress.EWMA(a, b, weight) }
	return &performancev1.Deviation{
		IttC: mix(level.GetIttC(), d.GetIttC()), NgPct: mix(level.GetNgPct(), d.GetNgPct()), FuelFlowPct: mix(level.GetFuelFlowPct(), d.GetFuelFlowPct()),
	}
}
