package app

import (
	"context"

	compliancev1 "coldsection.example/proto/coldsection/compliance/v1"
	"coldsection.example/services/compliance/internal/due"
	"coldsection.example/services/compliance/internal/store"
	"coldsection.example/services/platform/storage"
)

// livesAhead are the lives of the life-limited parts among subjects as a visit takes them: until when the part can be flown, at the early end of the
// range, so that it is replaced by then.
func (a *App) livesAhead(ctx context.Context, subjects []string, what *compliancev1.FlyingScenario) (all []candidate, err error) {
	more, err := periodsOf("scenario.periods", what.GetPeriods())
	if err != nil {
		return nil, err
	}
	err = a.DB.View(unlimited(ctx), func(ctx context.Context, tx *storage.Tx) error {
		f, err := a.unit(ctx, tx).forecaster(ctx, what, more)
		if err != nil {
			return err
		}
		for _, name := range subjects {
			if kindOf(name) != compliancev1.Applicability_COMPONENTS {
				continue
			}
			part, err := store.Components.Get(ctx, tx, name)
			if err != nil {
				return err
			}
			if !part.GetLifeLimited() {
				continue
			}
			c, err := f.life(ctx, part)
			if err != nil {
				return err
			}
			all = append(all, c)
		}
		return nil
	})
	return all, err
}

// life is the life of a part as a visit takes it.
func (f *forecaster) life(ctx context.Context, part *compliancev1.Component) (c candidate, err error) {
	l, err := f.livedNow(ctx, part)
	if err != nil {
		return c, err
	}
	status, left, err := f.lifeLeft(ctx, l)
	if err != nil {
		return c, err
	}
	s, err := f.look(ctx, part.GetName())
	if err != nil {
		return c, err
	}
	fly, err := f.outlook(ctx, s, f.assumed, f.scenario)
	if err != nil {
		return c, err
	}
	fly.plan.Chance = due.Early
	c.band = status.GetBand()
	c.item = &compliancev1.VisitItem{
		LifeStatus: status.GetName(), Subject: part.GetName(), RequirementCode: status.GetDocument().GetTitle(), Reason: status.GetBandReason(),
	}
	if c.band == compliancev1.DueItem_NO_DATA || left.Empty() {
		return c, nil
	}
	r := left.Compute(due.Base{Date: s.today}, due.Now{Today: s.today, Rate: fly.plan.Rate, Plan: &fly.plan}, due.DefaultThreshold)
	item := &compliancev1.DueItem{}
	fill(item, r)
	c.item.DueDate, c.item.DrivingUnit, c.item.Remaining = item.GetDueDate(), item.GetDrivingUnit(), item.GetRemaining()
	if c.item.GetReason() == "" {
		c.item.Reason = noDate(item, fly)
	}
	return c, nil
}
