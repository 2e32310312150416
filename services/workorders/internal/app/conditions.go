package app

import (
	"context"
	"time"

	workordersv1 "coldsection.example/proto/coldsection/workorders/v1"
	"coldsection.example/services/platform/resource"
	"coldsection.example/services/workorders/internal/plan"
	"coldsection.example/services/workorders/internal/store"
)

// conditions are what a plan is computed for.
type conditions struct {
	temperature *float64 // nil while it is not known
	power, day  string   // the power source; the civil day of the wash, YYYY-MM-DD
	deposition  *float64 // of chloride, in mg/(m²·d); nil when it was not surveyed
	surveyed    string   // by whom
	flown       []plan.Exposure
}

// conditionsAt are the day of an order at its station and the saltiest air since the engine's last rinse.
func (u unit) conditionsAt(ctx context.Context, o *workordersv1.WorkOrder, place *workordersv1.Station) (conditions, error) {
	zone, err := time.LoadLocation(place.GetTimeZone())
	if err != nil {
		return conditions{}, err
	}
	begins := u.now
	if o.GetPlanStartTime() != nil {
		begins = o.GetPlanStartTime().AsTime()
	}
	at := conditions{day: resource.DateText(civil(begins.In(zone)))}
	since, err := u.lastRinse(ctx, o.GetEngine())
	if err != nil {
		return at, err
	}
	if worst := saltiest(place.GetExposures(), since, at.day); worst != nil {
		at.deposition, at.surveyed = new(worst.GetChlorideMgM2Day()), worst.GetSource()
	}
	err = u.flownSince(ctx, o, &at)
	return at, err
}

// flownSince adds the flights since the engine's last rinse to the conditions of a day.
func (u unit) flownSince(ctx context.Context, o *workordersv1.WorkOrder, at *conditions) error {
	since, err := u.lastRinse(ctx, o.GetEngine())
	if err != nil {
		return err
	}
	flights, err := u.flownThrough(ctx, o.GetEngine(), since, at.day)
	at.fly(flights)
	return err
}

// lastRinse is the day on which a wash or a rinse of an engine was last released here, "" when never.
func (u unit) lastRinse(ctx context.Context, engine string) (day string, err error) {
	orders, err := store.Orders.Where(ctx, u.Tx, "engine = $1 AND state = 'RELEASED'", engine)
	for _, o := range orders {
		if isWash(o.GetKind()) {
			day = max(day, resource.DateText(o.GetReleaseDate()))
		}
	}
	return day, err
}

// saltiest is the exposure with the most salt that applied on any day from since to day: each one ends when the next begins.
func saltiest(exposures []*workordersv1.Exposure, since, day string) (worst *workordersv1.Exposure) {
	for i, e := range exposures {
		begins, ends := resource.DateText(e.GetEffectiveDate()), ""
		for j, other := range exposures {
			if next := resource.DateText(other.GetEffectiveDate()); j != i && next > begins && (ends == "" || next < ends) {
				ends = next
			}
		}
		if begins > day || ends != "" && ends <= since {
			continue
		}
		if worst == nil || e.GetChlorideMgM2Day() > worst.GetChlorideMgM2Day() {
			worst = e
		}
	}
	return worst
}
