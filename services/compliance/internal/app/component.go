package app

import (
	"context"
	"fmt"
	"strings"

	compliancev1 "coldsection.example/proto/coldsection/compliance/v1"
	"coldsection.example/services/compliance/internal/civil"
	"coldsection.example/services/compliance/internal/due"
	"coldsection.example/services/compliance/internal/fitted"
	"coldsection.example/services/compliance/internal/store"
	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/idempotency"
	"coldsection.example/services/platform/resource"
	"coldsection.example/services/platform/storage"
)

// CreateComponent adds a component with its counters at a day and its history since new.
func (a *App) CreateComponent(ctx context.Context, req *compliancev1.CreateComponentRequest) (*compliancev1.Component, error) {
	return idempotency.Execute(ctx, a.DB, a.Clock, req, func(ctx context.Context, tx *storage.Tx) (*compliancev1.Component, error) {
		return a.unit(ctx, tx).createComponent(ctx, req)
	})
}

func (u unit) createComponent(ctx context.Context, req *compliancev1.CreateComponentRequest) (*compliancev1.Component, error) {
	part := req.GetComponent()
	resource.ClearOutputOnly(part)
	if err := checkHistory(part.GetHistory()); err != nil {
		return nil, err
	}
	part.Name = u.app.newName("components", req.GetComponentId())
	part.EntryCounters, part.EntryDate = part.GetCounters(), part.GetCountersDate()
	err := store.Components.Insert(ctx, u.Tx, part, u.now)
	if storage.IsUnique(err) {
		return nil, fault.Exists(fmt.Sprintf("component %s of %s", part.GetSerial(), part.GetPartNumber()))
	}
	if err != nil {
		return nil, err
	}
	if err := store.AddVersion(ctx, u.Tx, part, u.now); err != nil {
		return nil, err
	}
	return part, u.recompute(ctx, part.GetName(), "", "")
}

// checkHistory refuses stays that end before they begin. A gap is no mistake of the entry: it is kept and closes the part.
func checkHistory(history []*compliancev1.PastFitting) error {
	for i, h := range history {
		if h.GetRemoveCycles() < h.GetInstallCycles() {
			return fault.Invalid(fmt.Sprintf("component.history[%d].remove_cycles", i), "HISTORY_INVALID", "The part went on at %d cycles and came off at %d, before that. Correct the entry.",
				h.GetInstallCycles(), h.GetRemoveCycles())
		}
		if h.GetRemoveDate() != nil && !dateOf(h.GetRemoveDate()).Valid() {
			return fault.Invalid(fmt.Sprintf("component.history[%d].remove_date", i), "HISTORY_INVALID", "%s is not a day of the calendar. Correct it.", dateOf(h.GetRemoveDate()))
		}
	}
	return nil
}

// componentsFitted is what is fitted where, which one change at a time looks at: two parts never come to one place, nor into each other.
const componentsFitted = "components fitted"

// InstallComponent fits a component to an engine or to another component.
func (a *App) InstallComponent(ctx context.Context, req *compliancev1.InstallComponentRequest) (*compliancev1.Component, error) {
	return idempotency.Execute(ctx, a.DB, a.Clock, req, func(ctx context.Context, tx *storage.Tx) (*compliancev1.Component, error) {
		return a.unit(ctx, tx).installComponent(ctx, req)
	})
}

func (u unit) installComponent(ctx context.Context, req *compliancev1.InstallComponentRequest) (*compliancev1.Component, error) {
	if err := u.Alone(ctx, componentsFitted); err != nil {
		return nil, err
	}
	part, err := store.Components.Lock(ctx, u.Tx, req.GetName())
	if err != nil {
		return nil, err
	}
	if err := resource.CheckEtag(part, req.GetEtag()); err != nil {
		return nil, err
	}
	if part.GetHost() != "" {
		return nil, fault.Precondition("COMPONENT_FITTED_ELSEWHERE", "%s is fitted to %s. Remove it there first.", part.GetName(), part.GetHost()).With("host", part.GetHost())
	}
	day, err := realDate("install_date", req.GetInstallDate())
	if err != nil {
		return nil, err
	}
	model, err := u.hostModel(ctx, part.GetName(), req.GetHost())
	if err != nil {
		return nil, err
	}
	if err := u.mayLive(ctx, part, model); err != nil {
		return nil, err
	}
	if err := u.fit(ctx, part.GetName(), req.GetHost(), req.GetPosition(), day); err != nil {
		return nil, err
	}
	part.Host, part.Position = req.GetHost(), req.GetPosition()
	return u.saveComponent(ctx, part, req.GetHost(), day)
}

// hostModel is the engine model of what a component is to be fitted to; empty when that is itself in stores. Reason: HOST_INVALID.
func (u unit) hostModel(ctx context.Context, part, host string) (string, error) {
	engine, err := u.engineAbove(ctx, part, host)
	return engine.GetEngineModel(), err
}

// hostEngine is the engine that something in a host is in, nil when the host is in stores.
func (u unit) hostEngine(ctx context.Context, host string) (*compliancev1.Engine, error) {
	return u.engineAbove(ctx, "", host)
}

func (u unit) engineAbove(ctx context.Context, fresh, host string) (*compliancev1.Engine, error) {
	for strings.HasPrefix(host, "components/") {
		if host == fresh {
			return nil, fault.Invalid("host", "HOST_INVALID", "%s would be fitted to itself. Name what it goes into.", fresh)
		}
		over, err := u.read(ctx, host)
		if err != nil {
			return nil, err
		}
		part, _ := over.(*compliancev1.Component)
		host = part.GetHost()
	}
	if host == "" {
		return nil, nil //nolint:nilnil // in stores
	}
	if !strings.HasPrefix(host, "engines/") {
		return nil, fault.Invalid("host", "HOST_INVALID", "%s is neither an engine nor a component. Name what it goes into.", host)
	}
	found, err := u.read(ctx, host)
	engine, _ := found.(*compliancev1.Engine)
	return engine, err
}

func (u unit) saveComponent(ctx context.Context, part *compliancev1.Component, host string, day civil.Date) (*compliancev1.Component, error) {
	if err := store.Components.Save(ctx, u.Tx, part, u.now); err != nil {
		return nil, err
	}
	m := moves{}
	if err := u.reallocate(ctx, host, day, m); err != nil {
		return nil, err
	}
	if err := u.move(ctx, m); err != nil {
		return nil, err
	}
	engine, err := u.hostEngine(ctx, part.GetHost())
	if err != nil {
		return nil, err
	}
	if err := u.learnOwner(ctx, part.GetName(), engine.GetOwner()); err != nil {
		return nil, err
	}
	if err := u.recomputeWithin(ctx, part.GetName()); err != nil {
		return nil, err
	}
	return store.Components.Get(ctx, u.Tx, part.GetName())
}

// RemoveComponent takes a component off.
func (a *App) RemoveComponent(ctx context.Context, req *compliancev1.RemoveComponentRequest) (*compliancev1.Component, error) {
	return idempotency.Execute(ctx, a.DB, a.Clock, req, func(ctx context.Context, tx *storage.Tx) (*compliancev1.Component, error) {
		u := a.unit(ctx, tx)
		part, err := store.Components.Lock(ctx, tx, req.GetName())
		if err != nil {
			return nil, err
		}
		if err := resource.CheckEtag(part, req.GetEtag()); err != nil {
			return nil, err
		}
		if part.GetHost() == "" {
			return nil, fault.Precondition("COMPONENT_NOT_FITTED", "%s is not fitted to anything.", part.GetName())
		}
		day, err := realDate("remove_date", req.GetRemoveDate())
		if err != nil {
			return nil, err
		}
		host := part.GetHost()
		if err := u.unfit(ctx, fitted.Fitting{Item: part.GetName(), Host: host, Position: part.GetPosition(), To: day}, req.GetReason()); err != nil {
			return nil, err
		}
		part.Host, part.Position = "", ""
		return u.saveComponent(ctx, part, host, day)
	})
}

// checkLife refuses a life that no part reaches. Reason: LIFE_LIMIT_INVALID.
func checkLife(limit *compliancev1.LifeLimit) error {
	for _, one := range []struct {
		field  string
		unit   due.Unit
		amount int64
	}{{"life_limit.cycle_limit", due.Cycles, limit.GetCycleLimit()}, {"life_limit.operating_seconds_limit", due.Hours, limit.GetOperatingSecondsLimit()}} {
		if n, words := most(one.unit); one.amount > n {
			return fault.Invalid(one.field, "LIFE_LIMIT_INVALID", "%s is %d, and at most %s are taken: more is never reached. Correct it.", one.field, one.amount, words)
		}
	}
	return nil
}

// CreateLifeLimit adds a revision of the life limit of a part number in engines of a model.
func (a *App) CreateLifeLimit(ctx context.Context, req *compliancev1.CreateLifeLimitRequest) (*compliancev1.LifeLimit, error) {
	return idempotency.Execute(ctx, a.DB, a.Clock, req, func(ctx context.Context, tx *storage.Tx) (*compliancev1.LifeLimit, error) {
		limit := req.GetLifeLimit()
		resource.ClearOutputOnly(limit)
		if _, err := realDate("life_limit.effective_date", limit.GetEffectiveDate()); err != nil {
			return nil, err
		}
		if limit.GetCycleLimit() == 0 && limit.GetOperatingSecondsLimit() == 0 {
			return nil, fault.Invalid("life_limit.cycle_limit", "LIFE_LIMIT_INVALID", "%s would never end. Give its limit in cycles, hours or both.", limit.GetPartNumber())
		}
		if err := checkLife(limit); err != nil {
			return nil, err
		}
		if limit.GetProrated() && limit.GetCycleLimit() == 0 {
			return nil, fault.Invalid("life_limit.prorated", "LIFE_LIMIT_INVALID", "Fractions of life need a limit in cycles. Give it, or leave prorated out.")
		}
		if _, err := limitOf(limit); err != nil {
			return nil, err
		}
		limit.Name = a.newName("lifeLimits", req.GetLifeLimitId())
		err := store.LifeLimits.Insert(ctx, tx, limit, a.Clock.Now())
		if storage.IsUnique(err) {
			return nil, fault.Exists(fmt.Sprintf("life limit of %s in %s from %s", limit.GetPartNumber(), limit.GetEngineModel(), dateOf(limit.GetEffectiveDate())))
		}
		return limit, err
	})
}
