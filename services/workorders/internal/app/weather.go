package app

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"time"

	"google.golang.org/protobuf/proto"

	performancev1 "coldsection.example/proto/coldsection/performance/v1"
	workordersv1 "coldsection.example/proto/coldsection/workorders/v1"
	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/storage"
	"coldsection.example/services/workorders/internal/store"
)

// stale is how far from its planned start a wash may begin on the weather that it was planned for; the next night may be colder.
const stale = 24 * time.Hour

// stillWarm refuses to begin a wash whose plan does not hold in the weather of now: liquid that freezes in an engine breaks it. What was begun on
// paper is recorded as it was. Reasons: PLAN_OF_OTHER_WEATHER, WEATHER_STALE.
func (a *App) stillWarm(ctx context.Context, o *workordersv1.WorkOrder, req *workordersv1.StartWorkOrderRequest) error {
	if !isWash(o.GetKind()) || o.GetState() != workordersv1.WorkOrder_KITTED || req.GetStartTime() != nil {
		return nil
	}
	p, err := store.Plans.Read(ctx, a.DB, o.GetName()+"/washPlan")
	if err != nil {
		return err
	}
	place, err := store.Stations.Read(ctx, a.DB, o.GetStation())
	if err != nil {
		return err
	}
	now, entered := a.Clock.Now(), place.GetUpdateTime().AsTime()
	newer := place.GetWeather() != nil && entered.After(p.GetComputeTime().AsTime())
	old := !newer || now.Sub(entered) > stale
	switch {
	case old && now.Sub(o.GetPlanStartTime().AsTime()).Abs() > stale:
		return fault.Precondition("WEATHER_STALE",
			"The plan of %s is for %g °C at %s, and it would begin more than a day away from then. Enter the lowest temperature expected now on %s, then start.",
			o.GetNumber(), p.GetPlannedAirTemperatureC(), o.GetPlanStartTime().AsTime().Format(time.RFC3339), place.GetName()).With("station", place.GetName())
	case !newer || place.GetWeather().GetLowestExpectedC() >= p.GetPlannedAirTemperatureC():
		return nil
	}
	model, err := a.modelOf(ctx, o.GetEngineModel())
	if err != nil && !fault.HasReason(err, "NOT_FOUND") {
		return err
	}
	return a.DB.View(ctx, func(ctx context.Context, tx *storage.Tx) error {
		_, err := a.unit(ctx, tx).asCold(ctx, o, p, model, place)
		return err
	})
}

// asCold computes the plan of an order again for the colder of what it was planned for and what its station expects by now, and refuses where that
// asks for anything else to be done than the plan that is there. Reason: PLAN_OF_OTHER_WEATHER.
func (u unit) asCold(ctx context.Context, o *workordersv1.WorkOrder, p *workordersv1.WashPlan, model *performancev1.EngineModel, place *workordersv1.Station) (computed, error) {
	at, err := u.conditionsAt(ctx, o, place)
	if err != nil {
		return computed{}, err
	}
	at.temperature, at.power = new(colder(p, place)), powerOf(model, p.GetStarterProfile())
	c := computePlan(o, model, at, u.now)
	if e := p.GetEnvironment(); c.plan.GetEnvironment() != nil {
		c.plan.Environment.ChoiceReason, c.plan.Environment.Chooser = e.GetChoiceReason(), e.GetChooser()
	}
	if why := otherwise(o, p, c); why != "" {
		return c, fault.Precondition("PLAN_OF_OTHER_WEATHER", "%s was planned for %g °C, and %g °C are expected at %s now: %s. End it, return the stock and draft a new one.",
			o.GetNumber(), p.GetPlannedAirTemperatureC(), *at.temperature, place.GetDisplayName(), why).With("station", place.GetName())
	}
	return c, nil
}

// colder is the lower of the temperature that a plan was made for and the one that its station expects.
func colder(p *workordersv1.WashPlan, place *workordersv1.Station) float64 {
	if place.GetWeather() == nil {
		return p.GetPlannedAirTemperatureC()
	}
	return min(p.GetPlannedAirTemperatureC(), place.GetWeather().GetLowestExpectedC())
}

// powerOf is the power source of a starter profile.
func powerOf(model *performancev1.EngineModel, profile string) string {
	for _, p := range model.GetWash().GetStarterProfiles() {
		if p.GetId() == profile {
			return p.GetPowerSource()
		}
	}
	return ""
}

// otherwise says what a plan that was computed again asks for otherwise than the one that an order has; empty for nothing.
func otherwise(o *workordersv1.WorkOrder, p *workordersv1.WashPlan, again computed) string {
	now, was := again.plan.GetAntifreeze(), p.GetAntifreeze()
	switch {
	case len(again.plan.GetRefusals()) > 0:
		return strings.TrimSuffix(strings.Join(again.plan.GetRefusals(), " "), ".")
	case now.GetDecision() != was.GetDecision() || now.GetVolumePercent() != was.GetVolumePercent():
		return fmt.Sprintf("that takes %g %% of antifreeze, not %g %%", now.GetVolumePercent(), was.GetVolumePercent())
	case again.plan.GetStarterProfile() != p.GetStarterProfile():
		return "that takes the starter profile " + again.plan.GetStarterProfile() + ", not " + p.GetStarterProfile()
	case !slices.EqualFunc(again.demands, o.GetDemands(), func(x, y *workordersv1.MaterialDemand) bool {
		return x.GetItem() == y.GetItem() && proto.Equal(x.GetQuantity(), y.GetQuantity())
	}):
		return "that takes other amounts"
	default:
		return ""
	}
}
