package app

import (
	"context"
	"fmt"
	"math/big"
	"strings"

	"google.golang.org/protobuf/proto"

	compliancev1 "coldsection.example/proto/coldsection/compliance/v1"
	"coldsection.example/services/compliance/internal/civil"
	"coldsection.example/services/compliance/internal/due"
	"coldsection.example/services/compliance/internal/store"
	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/idempotency"
	"coldsection.example/services/platform/resource"
	"coldsection.example/services/platform/storage"
)

const planSuffix = "/flyingPlan"

// GetFlyingPlan reads what is going to be flown by an aircraft; one that nobody planned is empty.
func (a *App) GetFlyingPlan(ctx context.Context, req *compliancev1.GetFlyingPlanRequest) (plan *compliancev1.FlyingPlan, err error) {
	plane := strings.TrimSuffix(req.GetName(), planSuffix)
	_, err = store.Aircraft.Read(ctx, a.DB, plane)
	if fault.HasReason(err, "NOT_FOUND") {
		return nil, fault.Missing(req.GetName())
	}
	if err != nil {
		return nil, err
	}
	err = a.DB.View(ctx, func(ctx context.Context, tx *storage.Tx) error {
		plan, err = a.unit(ctx, tx).flyingPlan(ctx, plane)
		return err
	})
	return plan, err
}

// ListFlyingPlans lists what is going to be flown, of the aircraft that somebody planned for. Plans from before they could be listed are made ready for
// it at the first list.
func (a *App) ListFlyingPlans(ctx context.Context, req *compliancev1.ListFlyingPlansRequest) (*compliancev1.ListFlyingPlansResponse, error) {
	var behind bool
	err := a.DB.View(ctx, func(ctx context.Context, tx *storage.Tx) (err error) {
		behind, err = store.PlansUnlisted(ctx, tx)
		return err
	})
	if err == nil && behind {
		err = a.DB.Update(unlimited(ctx), store.ListPlans)
	}
	if err != nil {
		return nil, err
	}
	plans, next, err := store.FlyingPlans.List(ctx, a.DB, a.Lister, req, req.GetParent())
	return &compliancev1.ListFlyingPlansResponse{FlyingPlans: plans, NextPageToken: next}, err
}

// flyingPlan is the plan of an aircraft; an empty one when nobody planned.
func (u unit) flyingPlan(ctx context.Context, plane string) (*compliancev1.FlyingPlan, error) {
	if l := u.loaded; l != nil && l.things[plane] != nil {
		return l.plans[plane], nil
	}
	plan, err := store.FlyingPlans.Get(ctx, u.Tx, plane+planSuffix)
	if fault.HasReason(err, "NOT_FOUND") {
		return &compliancev1.FlyingPlan{Name: plane + planSuffix}, nil
	}
	return plan, err
}

// UpdateFlyingPlan changes what is going to be flown by an aircraft, and works out what is due by it. Reasons: DATE_INVALID, DATES_REVERSED, ETAG_MISMATCH.
func (a *App) UpdateFlyingPlan(ctx context.Context, req *compliancev1.UpdateFlyingPlanRequest) (*compliancev1.FlyingPlan, error) {
	return a.planned(ctx, req, req.GetFlyingPlan(), req.GetReason(), func(plan *compliancev1.FlyingPlan) error {
		if err := resource.Apply(plan, req.GetFlyingPlan(), req.GetUpdateMask()); err != nil {
			return err
		}
		plan.Revoked = false
		_, err := periodsOf("flying_plan.periods", plan.GetPeriods())
		return err
	})
}

// RevokeFlyingPlan takes a plan back, so that the rate alone counts; its versions stay. Reasons: PLAN_EMPTY, ETAG_MISMATCH.
func (a *App) RevokeFlyingPlan(ctx context.Context, req *compliancev1.RevokeFlyingPlanRequest) (*compliancev1.FlyingPlan, error) {
	asked := &compliancev1.FlyingPlan{Name: req.GetName(), Etag: req.GetEtag()}
	return a.planned(ctx, req, asked, req.GetReason(), func(plan *compliancev1.FlyingPlan) error {
		if plan.GetWindowWeeks() == 0 && len(plan.GetSeasons()) == 0 && len(plan.GetPeriods()) == 0 {
			return fault.Precondition("PLAN_EMPTY", "Nothing is planned for %s, so there is nothing to take back. Read its versions to see what was.", plan.GetName())
		}
		plan.WindowWeeks, plan.Seasons, plan.Periods, plan.Revoked = 0, nil, nil, true
		return nil
	})
}

// planned changes a plan as a new version that says by whom and why, and works out what is due by it.
func (a *App) planned(ctx context.Context, req proto.Message, asked *compliancev1.FlyingPlan, why string, change func(*compliancev1.FlyingPlan) error) (*compliancev1.FlyingPlan, error) {
	return idempotency.Execute(ctx, a.DB, a.Clock, req, func(ctx context.Context, tx *storage.Tx) (*compliancev1.FlyingPlan, error) {
		u, plane := a.unit(ctx, tx), strings.TrimSuffix(asked.GetName(), planSuffix)
		if _, err := store.Aircraft.Lock(ctx, tx, plane); err != nil {
			return nil, err
		}
		plan, err := u.flyingPlan(ctx, plane)
		if err != nil {
			return nil, err
		}
		if err := resource.CheckEtag(plan, asked.GetEtag()); err != nil {
			return nil, err
		}
		if err := u.keepUnnumbered(ctx, plan); err != nil {
			return nil, err
		}
		isNew := plan.GetEtag() == ""
		if err := change(plan); err != nil {
			return nil, err
		}
		plan.Version, plan.Updater, plan.Reason = plan.GetVersion()+1, u.caller.Account, why
		save := store.FlyingPlans.Save
		if isNew {
			save = store.FlyingPlans.Insert
		}
		if err := save(ctx, tx, plan, u.now); err != nil {
			return nil, err
		}
		if err := store.AddPlanVersion(ctx, tx, plan); err != nil {
			return nil, err
		}
		return plan, u.recomputeOn(ctx, plane)
	})
}

// keepUnnumbered keeps a plan from before plans had versions as the first one; by whom and why it was made is not known.
func (u unit) keepUnnumbered(ctx context.Context, plan *compliancev1.FlyingPlan) error {
	if plan.GetEtag() == "" || plan.GetVersion() != 0 {
		return nil
	}
	plan.Version = 1
	return store.AddPlanVersion(ctx, u.Tx, plan)
}

// FindFlyingPlanVersions are the versions of a plan, the newest first.
func (a *App) FindFlyingPlanVersions(ctx context.Context, req *compliancev1.FindFlyingPlanVersionsRequest) (*compliancev1.FindFlyingPlanVersionsResponse, error) {
	if _, err := a.GetFlyingPlan(ctx, &compliancev1.GetFlyingPlanRequest{Name: req.GetName()}); err != nil {
		return nil, err
	}
	resp := &compliancev1.FindFlyingPlanVersionsResponse{}
	err := a.DB.View(ctx, func(ctx context.Context, tx *storage.Tx) (err error) {
		resp.FlyingPlans, err = store.PlanVersions(ctx, tx, req.GetName())
		return err
	})
	return resp, err
}

// periodsOf reads times of other flying. Reasons: DATE_INVALID, DATES_REVERSED.
func periodsOf(field string, periods []*compliancev1.FlyingPeriod) ([]due.Period, error) {
	var out []due.Period
	for i, p := range periods {
		where := fmt.Sprintf("%s[%d]", field, i)
		from, err := realDate(where+".start_date", p.GetStartDate())
		if err != nil {
			return nil, err
		}
		through, err := realDate(where+".end_date", p.GetEndDate())
		if err != nil {
			return nil, err
		}
		if through.Before(from) {
			return nil, fault.Invalid(where+".end_date", "DATES_REVERSED", "The time of other flying would end on %s, before it starts on %s. Correct the dates.", through, from)
		}
		period := due.Period{From: from, Through: through, Percent: big.NewRat(int64(p.GetPercent()), 1)}
		if p.GetFlyingRate() != nil {
			rate := rateOf(p.GetFlyingRate())
			period.Percent, period.Rate = nil, &rate
		}
		out = append(out, period)
	}
	return out, nil
}

func seasonsOf(seasons []*compliancev1.FlyingSeason) (out []due.Season) {
	for _, s := range seasons {
		out = append(out, due.Season{FirstMonth: int(s.GetFirstMonth()), LastMonth: int(s.GetLastMonth()), Percent: big.NewRat(int64(s.GetPercent()), 1)})
	}
	return out
}

func rateOf(r *compliancev1.FlyingRate) due.Rate {
	return due.Rate{HoursPerDay: r.GetHoursPerDay(), CyclesPerDay: r.GetCyclesPerDay()}
}

// defaultWindow is over how many weeks a rate is measured when the plan does not say.
const defaultWindow = 13

// measured is what an aircraft flew in the whole weeks before a day, as far back as its record here reaches.
func (u unit) measured(ctx context.Context, plane *compliancev1.Aircraft, today civil.Date, weeks int) (due.Rate, due.Spread, string, error) {
	if since := dateOf(plane.GetEntryDate()); !since.IsZero() {
		weeks = min(weeks, max(today.Sub(since)-1, 0)/7)
	}
	if weeks == 0 {
		return due.Rate{}, due.Spread{}, "no whole week is on record to measure over", nil
	}
	from, through := today.AddDays(-7*weeks), today.AddDays(-1)
	days, err := store.FlownByDay(ctx, u.Tx, plane.GetName(), from.String(), through.String())
	if err != nil {
		return due.Rate{}, due.Spread{}, "", err
	}
	sums, total := due.Measured{Seconds: make([]float64, weeks), Cycles: make([]float64, weeks)}, due.Counters{}
	for _, d := range days {
		on, err := civil.Parse(d.Day)
		if err != nil {
			return due.Rate{}, due.Spread{}, "", err
		}
		week := on.Sub(from) / 7
		sums.Seconds[week] += float64(d.Seconds)
		sums.Cycles[week] += float64(d.Cycles)
		total.Seconds, total.Cycles = total.Seconds+d.Seconds, total.Cycles+d.Cycles
	}
	return due.MeasuredRate(total, 7*weeks), sums.Spread(), fmt.Sprintf("measured over %d weeks, %s through %s", weeks, from, through), nil
}
