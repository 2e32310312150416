package app

import (
	"context"
	"fmt"
	"strings"
	"time"

	workordersv1 "coldsection.example/proto/coldsection/workorders/v1"
	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/idempotency"
	"coldsection.example/services/platform/outbox"
	"coldsection.example/services/platform/owners"
	"coldsection.example/services/platform/resource"
	"coldsection.example/services/platform/storage"
	"coldsection.example/services/workorders/internal/plan"
	"coldsection.example/services/workorders/internal/store"
)

// CreateFlightExposure records what an engine flew through on a day. It is not corrected: another entry is added.
func (a *App) CreateFlightExposure(ctx context.Context, req *workordersv1.CreateFlightExposureRequest) (*workordersv1.FlightExposure, error) {
	engine, err := a.engineOf(ctx, req.GetFlightExposure().GetEngine())
	if err != nil {
		return nil, err
	}
	return idempotency.Execute(ctx, a.DB, a.Clock, req, func(ctx context.Context, tx *storage.Tx) (*workordersv1.FlightExposure, error) {
		u := a.unit(ctx, tx)
		e := req.GetFlightExposure()
		resource.ClearOutputOnly(e)
		if err := u.mayExpose(e); err != nil {
			return nil, err
		}
		e.Name, e.Account = a.newName("flightExposures", req.GetFlightExposureId()), u.caller.Account
		if err := store.Flown.Insert(ctx, tx, e, u.now); err != nil {
			return nil, err
		}
		if err := owners.Learn(ctx, tx, e.GetName(), engine.GetOwner()); err != nil {
			return nil, err
		}
		return e, outbox.Append(ctx, tx, outbox.New(a.IDs.New(), u.now, source, "coldsection.workorder.exposure.recorded.v1", e.GetEngine(),
			&workordersv1.ExposureRecorded{FlightExposure: e}))
	})
}

// ahead is how far the most eastern zone is ahead of UTC: a flight may have landed on its tomorrow.
const ahead = 14 * time.Hour

// mayExpose refuses a day to come, and a figure of salt where the exposure is to something else. Reasons: DATE_IN_FUTURE,
// CHLORIDE_NOT_SALT.
func (u unit) mayExpose(e *workordersv1.FlightExposure) error {
	last := resource.DateText(civil(u.now.Add(ahead)))
	switch {
	case resource.DateText(e.GetFlightDate()) > last:
		return fault.Invalid("flight_exposure.flight_date", "DATE_IN_FUTURE", "%s is a day to come. Give the day of the flight.", resource.DateText(e.GetFlightDate()))
	case e.GetKind() != workordersv1.FlightExposure_SALT && e.GetChlorideMgM2Day() > 0:
		return fault.Invalid("flight_exposure.chloride_mg_m2_day", "CHLORIDE_NOT_SALT", "Chloride is surveyed for SALT, and this is %s. Record the salt by itself.", e.GetKind())
	default:
		return nil
	}
}

// flownThrough is what an engine flew through from the day of its last rinse to a day.
func (u unit) flownThrough(ctx context.Context, engine, since, day string) ([]*workordersv1.FlightExposure, error) {
	return store.Flown.Where(ctx, u.Tx, "engine = $1 AND flight_date >= $2 AND flight_date <= $3 ORDER BY flight_date, name", engine, since, day)
}

// fly adds flights to the conditions of a plan: the saltiest of them where it is saltier than the survey of the station, and how often
// the engine met each kind.
func (c *conditions) fly(flights []*workordersv1.FlightExposure) {
	met := map[workordersv1.FlightExposure_Kind]int{}
	for _, f := range flights {
		met[f.GetKind()]++
		if v := f.GetChlorideMgM2Day(); v > 0 && (c.deposition == nil || v > *c.deposition) {
			c.deposition, c.surveyed = new(v), "flight of "+resource.DateText(f.GetFlightDate())+", "+f.GetSource()
		}
	}
	for number := range int32(len(workordersv1.FlightExposure_Kind_name)) {
		if kind := workordersv1.FlightExposure_Kind(number); met[kind] > 0 {
			c.flown = append(c.flown, plan.Exposure{Kind: strings.ToLower(kind.String()), Flights: met[kind], Wears: wears(kind)})
		}
	}
}

// wears says what of the wear of a kind no wash repairs.
func wears(kind workordersv1.FlightExposure_Kind) string {
	switch kind {
	case workordersv1.FlightExposure_SAND, workordersv1.FlightExposure_ASH:
		return fmt.Sprintf("%s wears blades, which no wash repairs: what does not recover is to be looked at before it is washed again", strings.ToLower(kind.String()))
	case workordersv1.FlightExposure_SALT:
		return "salt is rinsed off with water"
	default:
		return "deposits are washed off with cleaner"
	}
}
