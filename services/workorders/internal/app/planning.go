package app

import (
	"context"
	"fmt"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	commonv1 "coldsection.example/proto/coldsection/common/v1"
	performancev1 "coldsection.example/proto/coldsection/performance/v1"
	workordersv1 "coldsection.example/proto/coldsection/workorders/v1"
	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/quantity"
	"coldsection.example/services/platform/resource"
	"coldsection.example/services/workorders/internal/motoring"
	"coldsection.example/services/workorders/internal/plan"
	"coldsection.example/services/workorders/internal/store"
)

const notice = "Calculated, to be confirmed against approved data."

// isWash reports whether orders of a kind have a wash plan.
func isWash(kind workordersv1.TaskCard_Kind) bool {
	return kind == workordersv1.TaskCard_RECOVERY_WASH || kind == workordersv1.TaskCard_SALT_RINSE
}

func litresOf(q *commonv1.Quantity) float64 {
	if q == nil {
		return 0
	}
	parsed, err := quantity.Parse(q.GetValue(), q.GetUnitCode())
	if err != nil {
		return 0
	}
	return parsed.Canonical()
}

// dataOf is the wash data of a model as the planner needs them.
func dataOf(m *performancev1.EngineModel) plan.Data {
	w := m.GetWash()
	d := plan.Data{
		Document: fmt.Sprintf("%s, revision %d", m.GetDocument().GetTitle(), m.GetRevision()), WaterParts: int(w.GetWaterParts()), CleanerParts: int(w.GetCleanerParts()),
		BatchML: litresOf(w.GetBatchVolume()) * 1000, RinseML: litresOf(w.GetRinseVolume()) * 1000, StepML: litresOf(w.GetMeasuringStep()) * 1000, RinseRuns: int(w.GetRinseRuns()),
		K: w.GetRingFlowCoefficient(), PressureKPa: w.GetContainerPressureKpa(), OpenDelay: int(w.GetValveOpenDelaySeconds()), CloseMargin: int(w.GetValveCloseMarginSeconds()),
		ValveWindow: int(w.GetValveWindowSeconds()), SoakSeconds: int(w.GetSoakMinutes()) * 60, AntifreezeBelow: w.GetAntifreezeBelowC(), AntifreezeMargin: w.GetAntifreezeMarginC(),
		AntifreezeCeiling: w.GetAntifreezeCeilingC(), WashMin: w.GetWashFloorC(), AntifreezeSource: w.GetAntifreezeTable().GetDocument().GetTitle(),
		DryingSeconds: int(w.GetDryingRunSeconds()), DryingLimit: int(w.GetDryingLimitMinutes()) * 60,
	}
	equip(&d, w)
	table := w.GetAntifreezeTable()
	d.Densities = plan.Densities{Antifreeze: table.GetAntifreezeDensityKgL(), Water: table.GetWaterDensityKgL()}
	for _, row := range table.GetRows() {
		d.Antifreeze = append(d.Antifreeze, plan.Row{
			VolumePercent: row.GetVolumePercent(), FreezingC: row.GetFreezingPointC(), MassPercent: row.GetMassPercent(), SpecificGravity: row.GetSpecificGravity(),
		})
	}
	for _, p := range w.GetStarterProfiles() {
		profile := plan.Profile{ID: p.GetId(), PowerSource: p.GetPowerSource(), MinOAT: p.MinOatC, MaxOAT: p.MaxOatC}
		for _, r := range p.GetRuns() {
			profile.Runs = append(profile.Runs, plan.Duty{On: int(r.GetOnSeconds()), Rest: int(r.GetRestSeconds())})
		}
		d.Profiles = append(d.Profiles, profile)
	}
	return d
}

// equip adds what is known of the spray ring and the pressure container.
func equip(d *plan.Data, w *performancev1.WashData) {
	r, c := w.GetSprayRing(), w.GetPressureContainer()
	d.Ring = plan.Ring{
		Holes: int(r.GetHoleCount()), Diameter: r.GetHoleDiameterMm(), Coefficient: r.GetDischargeCoefficient(), TestDue: resource.DateText(r.GetTestDueDate()),
	}
	d.Container = plan.Container{
		Allowed: c.GetAllowedPressureKpa(), ReliefSet: c.GetReliefPressureKpa(), TestDue: resource.DateText(c.GetTestDueDate()), ReliefDue: resource.DateText(c.GetReliefDueDate()),
	}
}

// computed is a plan together with what the order needs from stores.
type computed struct {
	plan    *workordersv1.WashPlan
	demands []*workordersv1.MaterialDemand
}

// computePlan computes the plan of an order under conditions.
func computePlan(o *workordersv1.WorkOrder, m *performancev1.EngineModel, at conditions, now time.Time) computed {
	rinseOnly, temperature := o.GetKind() == workordersv1.TaskCard_SALT_RINSE, at.temperature
	d := dataOf(m)
	d.Day, d.Deposition, d.DepositionSource, d.Flown = at.day, at.deposition, at.surveyed, at.flown
	p := plan.Compute(d, rinseOnly, temperature, at.power)
	w := m.GetWash()
	out := &workordersv1.WashPlan{
		Name: o.GetName() + "/washPlan", Data: m.GetDocument(), TemperatureKnown: temperature != nil, WaterGrade: w.GetWaterGrade(), ContainerPressureKpa: d.PressureKPa,
		RingFlowLMin: p.FlowLMin, StarterProfile: p.Profile.ID, WashRuns: int32(p.WashRuns), RinseRuns: int32(p.RinseRuns), StarterSeconds: int32(p.StarterSeconds),
		TotalSeconds: int32(p.TotalSeconds), DryingLimitMinutes: w.GetDryingLimitMinutes(), DryingOmissionCondition: w.GetDryingOmissionCondition(),
		Refusals: p.Refusals, Notice: notice, ComputeTime: timestamppb.New(now),
		Antifreeze: antifreezeOf(p, temperature), RinseVolume: millilitres(p.RinseWaterML + p.RinseAntifreezeML),
	}
	out.Environment = environmentOf(d)
	if temperature != nil {
		out.PlannedAirTemperatureC = *temperature
	}
	c := computed{plan: out}
	if !rinseOnly {
		out.BatchVolume = millilitres(p.SolutionML)
		out.RatioText = fmt.Sprintf("%d parts of water to %d of cleaner by volume: 1 L of cleaner into %.3g L of water",
			d.WaterParts, d.CleanerParts, float64(d.WaterParts)/float64(max(1, d.CleanerParts)))
	}
	c.add(w.GetCleanerItem(), "cleaner", p.CleanerML)
	c.add(w.GetWaterItem(), "water", p.WaterML)
	c.add(w.GetAntifreezeItem(), "antifreeze", p.AntifreezeML)
	c.need(w.GetCleanerItem(), "solution", p.CleanerML)
	c.need(w.GetWaterItem(), "solution and rinse", p.WaterML+p.RinseWaterML)
	c.need(w.GetAntifreezeItem(), "solution and rinse", p.AntifreezeML+p.RinseAntifreezeML)
	out.Timeline, out.Numbers = timelineOf(p), numbersOf(p)
	return c
}

func (c *computed) add(item, role string, ml float64) {
	if ml > 0 {
		c.plan.Components = append(c.plan.Components, &workordersv1.MixComponent{
			Item: item, Role: role, Quantity: millilitres(ml), Alternate: &commonv1.Quantity{Value: fmt.Sprintf("%.1f", ml/29.5735295625), UnitCode: "[foz_us]"},
		})
	}
}

func (c *computed) need(item, purpose string, ml float64) {
	if ml > 0 && item != "" {
		c.demands = append(c.demands, &workordersv1.MaterialDemand{Item: item, Quantity: millilitres(ml), Purpose: purpose})
	}
}

func antifreezeOf(p plan.Plan, temperature *float64) *workordersv1.Antifreeze {
	a := &workordersv1.Antifreeze{Explanation: p.AntifreezeText}
	switch {
	case temperature == nil:
	case p.Row != nil:
		a.Decision, a.VolumePercent, a.FreezingPointC = workordersv1.Antifreeze_ADDED, p.Row.VolumePercent, p.Row.FreezingC
	case p.AntifreezeRefused:
		a.Decision = workordersv1.Antifreeze_REFUSED
	default:
		a.Decision = workordersv1.Antifreeze_NONE_NEEDED
	}
	return a
}

func timelineOf(p plan.Plan) []*workordersv1.TimelineEntry {
	activities := map[plan.Activity]workordersv1.TimelineEntry_Activity{
		plan.WashRun: workordersv1.TimelineEntry_WASH_RUN, plan.RinseRun: workordersv1.TimelineEntry_RINSE_RUN,
		plan.Rest: workordersv1.TimelineEntry_REST, plan.Soak: workordersv1.TimelineEntry_SOAK, plan.DryingRun: workordersv1.TimelineEntry_DRYING_RUN,
	}
	var out []*workordersv1.TimelineEntry
	for _, e := range p.Timeline {
		entry := &workordersv1.TimelineEntry{
			Activity: activities[e.Activity], StartSecond: int32(e.Start), EndSecond: int32(e.End), ValveOpenSecond: int32(e.ValveOpen), ValveShutSecond: int32(e.ValveShut), Note: e.Note,
		}
		if e.VolumeML > 0 {
			entry.Volume = millilitres(e.VolumeML)
		}
		out = append(out, entry)
	}
	return out
}

func numbersOf(p plan.Plan) []*commonv1.Explained {
	var out []*commonv1.Explained
	for _, n := range p.Numbers {
		out = append(out, &commonv1.Explained{Label: n.Label, Value: n.Value, UnitCode: n.Unit, Formula: n.Formula, Source: n.Source, AlternateText: n.Alternate})
	}
	return out
}

// savePlan writes the next revision of an order's plan and keeps the one before. Reason: PLAN_FROZEN.
func (u unit) savePlan(ctx context.Context, c computed) error {
	old, err := store.Plans.Lock(ctx, u.Tx, c.plan.GetName())
	if fault.HasReason(err, "NOT_FOUND") {
		c.plan.Revision = 1
		return store.Plans.Insert(ctx, u.Tx, c.plan, u.now)
	}
	if err != nil {
		return err
	}
	if old.GetFrozen() {
		return fault.Precondition("PLAN_FROZEN", "%s was frozen when the order started. Draft a new order for work of another plan.", old.GetName())
	}
	if err := store.KeepRevision(ctx, u.Tx, old); err != nil {
		return err
	}
	c.plan.Revision = old.GetRevision() + 1
	return store.Plans.Save(ctx, u.Tx, c.plan, u.now)
}

// dutyOf is the starter's duty list that an order's plan uses.
func dutyOf(m *performancev1.EngineModel, profile string) []motoring.Duty {
	var out []motoring.Duty
	for _, p := range m.GetWash().GetStarterProfiles() {
		if p.GetId() != profile {
			continue
		}
		for _, r := range p.GetRuns() {
			out = append(out, motoring.Duty{On: time.Duration(r.GetOnSeconds()) * time.Second, Rest: time.Duration(r.GetRestSeconds()) * time.Second})
		}
	}
	return out
}
