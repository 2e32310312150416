package app

import (
	"context"

	"google.golang.org/protobuf/types/known/timestamppb"

	compliancev1 "coldsection.example/proto/coldsection/compliance/v1"
	"coldsection.example/services/compliance/internal/store"
	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/idempotency"
	"coldsection.example/services/platform/resource"
	"coldsection.example/services/platform/storage"
)

// ExtendDueItem grants a variation once per interval, within the tolerance that the programme states.
func (a *App) ExtendDueItem(ctx context.Context, req *compliancev1.ExtendDueItemRequest) (*compliancev1.DueItem, error) {
	return idempotency.Execute(ctx, a.DB, a.Clock, req, func(ctx context.Context, tx *storage.Tx) (*compliancev1.DueItem, error) {
		u := a.unit(ctx, tx)
		stored, err := store.DueItems.Lock(ctx, tx, req.GetName())
		if err != nil {
			return nil, err
		}
		if err := resource.CheckEtag(stored, req.GetEtag()); err != nil {
			return nil, err
		}
		item, err := u.refreshed(ctx, stored)
		if err != nil {
			return nil, err
		}
		r, err := store.Requirements.Get(ctx, tx, item.GetRequirement())
		if err != nil {
			return nil, err
		}
		extension := req.GetExtension()
		resource.ClearOutputOnly(extension)
		if err := mayExtend(item, r, extension); err != nil {
			return nil, err
		}
		extension.Person, extension.GrantTime = u.caller.Person, timestamppb.New(u.now)
		if err := store.AddExtension(ctx, tx, item.GetName(), item.GetLastAccomplishment(), extension, u.now); err != nil {
			return nil, err
		}
		if err := u.recompute(ctx, item.GetSubject(), r.GetName(), ""); err != nil {
			return nil, err
		}
		return store.DueItems.Get(ctx, tx, item.GetName())
	})
}

// mayExtend refuses what no authority here can grant; the reason EXTENSION_TOO_LONG names the unit that is exceeded.
func mayExtend(item *compliancev1.DueItem, r *compliancev1.Requirement, e *compliancev1.Extension) error {
	stop, err := realDate("extension.hard_stop_date", e.GetHardStopDate())
	if err != nil {
		return err
	}
	code := r.GetCode()
	switch {
	case strict(r):
		return fault.Precondition("EXTENSION_NOT_ALLOWED", "%s is a %s, which is never extended here. Only its authority changes it: enter the new revision.", code, r.GetKind())
	case r.GetTolerance() == nil:
		return fault.Precondition("EXTENSION_NOT_ALLOWED", "The programme states no tolerance for %s. Do it in time, or have the programme changed.", code)
	case item.GetBand() == compliancev1.DueItem_NO_DATA || item.GetBand() == compliancev1.DueItem_EXEMPT:
		return fault.Precondition("EXTENSION_NOT_ALLOWED", "%s is %s (%s), so there is nothing to extend.", code, item.GetBand(), item.GetBandReason())
	case item.GetExtension() != nil:
		return fault.Precondition("EXTENSION_NOT_ALLOWED", "%s was extended already, until %s. An interval is extended once. Do it.", code,
			dateOf(item.GetExtension().GetHardStopDate()))
	case stop.Before(dateOf(item.GetAsOfDate())):
		return fault.Invalid("extension.hard_stop_date", "EXTENSION_NOT_ALLOWED", "The hard stop %s has passed. Give a day to come.", stop)
	case e.GetOperatingSeconds() == 0 && e.GetCycles() == 0 && e.GetDays() == 0:
		return fault.Invalid("extension", "EXTENSION_NOT_ALLOWED", "The extension of %s is of nothing. Give hours, cycles or days.", code)
	}
	return withinTolerance(code, r.GetTolerance(), e)
}

func withinTolerance(code string, t *compliancev1.Tolerance, e *compliancev1.Extension) error {
	for _, c := range []struct {
		field       string
		asked, most int64
	}{
		{"operating_seconds", e.GetOperatingSeconds(), t.GetOperatingSeconds()}, {"cycles", e.GetCycles(), t.GetCycles()}, {"days", int64(e.GetDays()), int64(t.GetDays())},
	} {
		if c.asked > c.most {
			return fault.Invalid("extension."+c.field, "EXTENSION_TOO_LONG", "The programme permits %d %s on %s, not %d. Ask for no more than that.", c.most, c.field, code, c.asked)
		}
	}
	return nil
}

// strict requirements never have a tolerance and are never extended.
func strict(r *compliancev1.Requirement) bool {
	return r.GetKind() == compliancev1.Requirement_DIRECTIVE || r.GetKind() == compliancev1.Requirement_LIFE_LIMIT
}
