package app

import (
	"cmp"
	"context"
	"slices"

	"google.golang.org/protobuf/proto"

	compliancev1 "coldsection.example/proto/coldsection/compliance/v1"
	"coldsection.example/services/compliance/internal/due"
	"coldsection.example/services/compliance/internal/store"
	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/storage"
)

// ForecastDueItems forecasts when due items become due, by the flying plan or by a scenario that nothing keeps. Reasons:
// DATE_INVALID, DATES_REVERSED.
func (a *App) ForecastDueItems(ctx context.Context, req *compliancev1.ForecastDueItemsRequest) (*compliancev1.ForecastDueItemsResponse, error) {
	more, err := periodsOf("scenario.periods", req.GetScenario().GetPeriods())
	if err != nil {
		return nil, err
	}
	items, next, err := store.DueItems.List(ctx, a.DB, a.Lister, req, "")
	if err != nil {
		return nil, err
	}
	resp := &compliancev1.ForecastDueItemsResponse{NextPageToken: next}
	err = a.DB.View(unlimited(ctx), func(ctx context.Context, tx *storage.Tx) error {
		f, err := a.unit(ctx, tx).forecaster(ctx, req.GetScenario(), more)
		if err != nil {
			return err
		}
		for _, item := range items {
			one, err := f.forecast(ctx, item)
			if err != nil {
				return err
			}
			resp.DueForecasts = append(resp.DueForecasts, one)
		}
		return nil
	})
	return resp, err
}

// forecaster forecasts the items of one call; each subject is looked at once, and each aircraft's flying is worked out once.
type forecaster struct {
	refresher

	scenario         *compliancev1.FlyingScenario
	more             []due.Period
	planned, assumed map[string]outlook // by aircraft
}

func (u unit) forecaster(ctx context.Context, what *compliancev1.FlyingScenario, more []due.Period) (*forecaster, error) {
	r, err := u.refresher(ctx)
	return &forecaster{refresher: r, scenario: what, more: more, planned: map[string]outlook{}, assumed: map[string]outlook{}}, err
}

// outlook is what is going to be flown, and how the rate came about.
type outlook struct {
	plan    due.Plan
	basis   string
	planned int32 // the version of the flying plan in it; 0 when it is left out
}

func (f *forecaster) forecast(ctx context.Context, stored *compliancev1.DueItem) (*compliancev1.DueForecast, error) {
	s, err := f.look(ctx, stored.GetSubject())
	if err != nil {
		return nil, err
	}
	r := s.requirement(stored.GetRequirement())
	if r == nil {
		return nil, fault.Missing(stored.GetRequirement())
	}
	fly, err := f.outlook(ctx, s, f.assumed, f.scenario)
	if err != nil {
		return nil, err
	}
	even, err := f.at(ctx, s, r, fly, due.Even)
	if err != nil {
		return nil, err
	}
	out := forecastOf(even, fly)
	if fly.plan.Spread.Weeks == 0 {
		out.P10Date, out.P90Date = out.GetP50Date(), out.GetP50Date()
	} else if err := f.span(ctx, s, r, fly, out); err != nil {
		return nil, err
	}
	if f.scenario != nil {
		return out, f.compare(ctx, s, r, out)
	}
	return out, nil
}

// span adds the ends of the range.
func (f *forecaster) span(ctx context.Context, s seen, r *compliancev1.Requirement, fly outlook, out *compliancev1.DueForecast) error {
	early, err := f.at(ctx, s, r, fly, due.Early)
	if err != nil {
		return err
	}
	late, err := f.at(ctx, s, r, fly, due.Late)
	out.P10Date, out.P90Date = early.GetDueDate(), late.GetDueDate()
	return err
}

// compare adds the date without the scenario.
func (f *forecaster) compare(ctx context.Context, s seen, r *compliancev1.Requirement, out *compliancev1.DueForecast) error {
	fly, err := f.outlook(ctx, s, f.planned, nil)
	if err != nil {
		return err
	}
	planned, err := f.at(ctx, s, r, fly, due.Even)
	if err != nil {
		return err
	}
	out.PlannedDate = planned.GetDueDate()
	out.Moved = !proto.Equal(out.GetPlannedDate(), out.GetP50Date())
	return nil
}

// at is a due item projected by a plan at one chance.
func (f *forecaster) at(ctx context.Context, s seen, r *compliancev1.Requirement, fly outlook, chance due.Chance) (*compliancev1.DueItem, error) {
	fly.plan.Chance = chance
	s.plan = &fly.plan
	return f.work(ctx, s, r)
}

// outlook is what the aircraft of an engine is going to fly, by its plan and a scenario, if any.
func (f *forecaster) outlook(ctx context.Context, s seen, known map[string]outlook, what *compliancev1.FlyingScenario) (outlook, error) {
	name := s.plane.GetName()
	if fly, ok := known[name]; ok {
		return fly, nil
	}
	fly := outlook{basis: "not fitted to an aircraft"}
	if name == "" && what.GetFlyingRate() != nil {
		fly = outlook{plan: due.Plan{Rate: rateOf(what.GetFlyingRate()), Periods: f.more}, basis: "assumed"}
	} else if name != "" {
		var err error
		if fly, err = f.ofAircraft(ctx, s, what); err != nil {
			return fly, err
		}
	}
	known[name] = fly
	return fly, nil
}

func (f *forecaster) ofAircraft(ctx context.Context, s seen, what *compliancev1.FlyingScenario) (fly outlook, err error) {
	plane, err := store.Aircraft.Get(ctx, f.Tx, s.plane.GetName())
	if err != nil {
		return fly, err
	}
	plan, err := f.flyingPlan(ctx, plane.GetName())
	if err != nil {
		return fly, err
	}
	weeks := int(cmp.Or(what.GetWindowWeeks(), plan.GetWindowWeeks(), defaultWindow))
	switch {
	case what.GetFlyingRate() != nil:
		fly = outlook{plan: due.Plan{Rate: rateOf(what.GetFlyingRate())}, basis: "assumed"}
	case plane.GetFlyingRate() != nil && what.GetWindowWeeks() == 0:
		fly = outlook{plan: due.Plan{Rate: s.rate}, basis: "stated for the aircraft"}
	default:
		fly.plan.Rate, fly.plan.Spread, fly.basis, err = f.measured(ctx, plane, s.today, weeks)
	}
	if err != nil || what.GetPlanIgnored() {
		fly.plan.Periods = f.of(what)
		return fly, err
	}
	kept, err := periodsOf("flying_plan.periods", plan.GetPeriods())
	fly.planned = plan.GetVersion()
	fly.plan.Seasons, fly.plan.Periods = seasonsOf(plan.GetSeasons()), slices.Concat(kept, f.of(what))
	return fly, err
}

// of are the periods of a scenario; none without one.
func (f *forecaster) of(what *compliancev1.FlyingScenario) []due.Period {
	if what == nil {
		return nil
	}
	return f.more
}

func forecastOf(item *compliancev1.DueItem, fly outlook) *compliancev1.DueForecast {
	return &compliancev1.DueForecast{
		DueItem: item.GetName(), RequirementCode: item.GetRequirementCode(), Subject: item.GetSubject(), SubjectLabel: item.GetSubjectLabel(),
		Band: item.GetBand(), P50Date: item.GetDueDate(), NoDateReason: noDate(item, fly), DrivingUnit: item.GetDrivingUnit(), Remaining: item.GetRemaining(),
		FlyingRate:  &compliancev1.FlyingRate{HoursPerDay: fly.plan.Rate.HoursPerDay, CyclesPerDay: fly.plan.Rate.CyclesPerDay, Basis: fly.basis},
		Explanation: item.GetExplanation(), FlyingPlanVersion: fly.planned,
	}
}

// noDate is why there is no date; empty when there is one.
func noDate(item *compliancev1.DueItem, fly outlook) string {
	switch {
	case item.GetDueDate() != nil:
		return ""
	case item.GetBandReason() != "":
		return item.GetBandReason()
	case item.GetBand() == compliancev1.DueItem_OVERDUE || item.GetBand() == compliancev1.DueItem_IN_TOLERANCE:
		return "overdue"
	case item.GetDrivingUnit() == "starts":
		return "no rate of starts"
	case fly.plan.Rate == due.Rate{}:
		return "no rate"
	default:
		return "no rate of " + item.GetDrivingUnit() + ", or more than 200 years away"
	}
}
