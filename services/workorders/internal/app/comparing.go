package app

import (
	"context"
	"fmt"
	"math"
	"slices"
	"time"

	consumablesv1 "coldsection.example/proto/coldsection/consumables/v1"
	workordersv1 "coldsection.example/proto/coldsection/workorders/v1"
	"coldsection.example/services/platform/fault"
	"coldsection.example/services/workorders/internal/compare"
)

// CompareWorkOrder sets the plan beside what was done.
func (a *App) CompareWorkOrder(ctx context.Context, req *workordersv1.CompareWorkOrderRequest) (*workordersv1.CompareWorkOrderResponse, error) {
	f, err := a.file(ctx, req.GetName())
	if err != nil {
		return nil, err
	}
	items, err := a.itemsOf(ctx, f.order.GetMaterials())
	if err != nil {
		return nil, err
	}
	lines := compare.Compare(f.compared(items))
	if !req.GetShowAll() {
		lines = compare.Differences(lines)
	}
	resp := &workordersv1.CompareWorkOrderResponse{}
	for _, l := range lines {
		resp.Comparisons = append(resp.Comparisons, &workordersv1.Comparison{
			Topic: l.Topic, Label: l.Label, PlannedText: l.Planned, DoneText: l.Done, Differs: l.Differs, ToleranceText: l.Tolerance, Subject: l.Subject,
		})
	}
	return resp, nil
}

// compared is an order as the comparison looks at it.
func (f file) compared(items map[string]string) compare.Order {
	o := compare.Order{Assignees: f.order.GetAssignees(), Volumes: f.volumes(items), Reworked: f.reworked()}
	if f.order.GetPlanStartTime() != nil {
		o.PlanStart = f.order.GetPlanStartTime().AsTime()
	}
	if f.order.GetStartTime() != nil {
		o.Start = f.order.GetStartTime().AsTime()
	}
	for _, e := range f.plan.GetTimeline() {
		switch length := time.Duration(e.GetEndSecond()-e.GetStartSecond()) * time.Second; e.GetActivity() {
		case workordersv1.TimelineEntry_SOAK:
			o.Soak = length
		case workordersv1.TimelineEntry_DRYING_RUN:
			o.Drying = compare.Drying{Planned: true, Length: length, Limit: limitOf(f.plan)}
			if d := f.order.GetDryingOmission(); d != nil {
				o.Drying.LeftOut, o.Drying.LeftOutAt = omissionText(d), d.GetOmitTime().AsTime()
			}
		default:
		}
	}
	o.WashRuns, o.RinseRuns = int(f.plan.GetWashRuns()), int(f.plan.GetRinseRuns())
	o.StarterUse, o.Pressure = time.Duration(f.plan.GetStarterSeconds())*time.Second, f.plan.GetContainerPressureKpa()
	for _, r := range f.runs {
		if r.GetPurpose() == workordersv1.MotoringRun_EARLIER || !counts(r) {
			continue // another job's, or entered wrongly
		}
		o.Runs = append(o.Runs, compare.Run{
			Name: r.GetName(), Start: r.GetStartTime().AsTime(), End: r.GetEndTime().AsTime(), Aborted: r.GetAborted(), Exceedance: r.GetExceedanceText(), Paper: r.GetPaperEntry(),
			Drying: r.GetPurpose() == workordersv1.MotoringRun_DRYING,
		})
	}
	f.compareSteps(&o)
	return o
}

func (f file) compareSteps(o *compare.Order) {
	for _, s := range f.steps {
		label := fmt.Sprintf("%d %s", s.GetPosition(), s.GetTitle())
		switch s.GetState() {
		case workordersv1.Step_NOT_APPLICABLE, workordersv1.Step_OMITTED:
			why := s.GetNote()
			if s.GetAgreement() != "" {
				why += " (" + s.GetAgreement() + ")"
			}
			o.NotDone = append(o.NotDone, compare.Step{Name: s.GetName(), Label: label, State: s.GetState().String(), Why: why})
		case workordersv1.Step_DONE:
			if !slices.Contains(byAnother, s.GetKind()) && !slices.Contains(o.Performers, s.GetPerformer()) {
				o.Performers = append(o.Performers, s.GetPerformer())
			}
		default:
		}
		for _, m := range f.readings {
			if m.GetStep() != s.GetName() || m.GetSuccessor() != "" || !anew(s, m) {
				continue
			}
			spec := specOf(s, m.GetKey())
			value := fmt.Sprintf("%g %s", m.GetValue(), m.GetUnitCode()) + suffix(m.GetPaperEntry(), "from the fallback sheet")
			o.Readings = append(o.Readings, compare.Reading{
				Name: m.GetName(), Label: spec.GetDisplayName(), Value: value, Limits: limitsText(spec), LimitsMet: m.GetLimitsMet(),
			})
			if m.GetKey() == "container_pressure" && m.GetUnitCode() == "kPa" {
				o.PressureMeasured, o.PressureReading = m.GetValue(), m.GetName()
			}
		}
	}
}

func specOf(s *workordersv1.Step, key string) *workordersv1.MeasurementSpec {
	i := slices.IndexFunc(s.GetMeasurements(), func(m *workordersv1.MeasurementSpec) bool { return m.GetKey() == key })
	if i < 0 {
		return nil
	}
	return s.GetMeasurements()[i]
}

// limitsText says between what a reading must lie.
func limitsText(spec *workordersv1.MeasurementSpec) string {
	low, high := math.Inf(-1), math.Inf(1)
	if spec != nil && spec.MinValue != nil {
		low = spec.GetMinValue()
	}
	if spec != nil && spec.MaxValue != nil {
		high = spec.GetMaxValue()
	}
	if math.IsInf(low, 0) && math.IsInf(high, 0) {
		return "no limits"
	}
	return fmt.Sprintf("%s to %s %s", bound(low), bound(high), spec.GetUnitCode())
}

// volumes compares what was poured. Where a mixed lot was used it is the solution, and the rest is rinse; where the liquids were
// drawn one by one, each is compared with what was asked for.
func (f file) volumes(items map[string]string) []compare.Volume {
	if f.plan == nil || len(f.order.GetMaterials()) == 0 {
		return nil
	}
	asked, used, mixed := map[string]float64{}, map[string]float64{}, 0.0
	for _, d := range f.order.GetDemands() {
		asked[d.GetItem()] += litresOf(d.GetQuantity()) * 1000
	}
	total := 0.0
	for _, m := range f.used() {
		ml := litresOf(m.GetQuantity()) * 1000
		total += ml
		item := items[m.GetLot()]
		if used[item] += ml; asked[item] == 0 {
			mixed += ml
		}
	}
	batch, rinse := litresOf(f.plan.GetBatchVolume())*1000, litresOf(f.plan.GetRinseVolume())*1000
	switch {
	case batch == 0:
		return []compare.Volume{{Label: "Rinse", Planned: rinse, Done: total}}
	case mixed > 0:
		return []compare.Volume{{Label: "Solution", Planned: batch, Done: mixed}, {Label: "Rinse", Planned: rinse, Done: total - mixed}}
	}
	var out []compare.Volume
	for _, d := range f.order.GetDemands() {
		out = append(out, compare.Volume{Label: d.GetItem(), Planned: asked[d.GetItem()], Done: used[d.GetItem()]})
	}
	return out
}

// used is what the steps used as they stand.
func (f file) used() (all []*workordersv1.MaterialUse) {
	for _, s := range f.steps {
		all = append(all, s.GetMaterials()...)
	}
	return all
}

// reworked is what steps used before they were opened again. It was used all the same, and stays booked; what was recorded and not used, stores undo.
func (f file) reworked() (all []compare.Rework) {
	for _, s := range f.steps {
		for _, e := range s.GetEarlier() {
			for _, m := range e.GetMaterials() {
				all = append(all, compare.Rework{
					Step: s.GetName(), Label: fmt.Sprintf("%d %s", s.GetPosition(), s.GetTitle()), Lot: m.GetLot(), Millilitres: litresOf(m.GetQuantity()) * 1000, Why: e.GetReason(),
				})
			}
		}
	}
	return all
}

// itemsOf asks stores which item each lot is of. Reason: STORES_UNREACHABLE.
func (a *App) itemsOf(ctx context.Context, materials []*workordersv1.MaterialUse) (map[string]string, error) {
	items := map[string]string{}
	for _, m := range materials {
		if _, ok := items[m.GetLot()]; ok {
			continue
		}
		lot, err := consumablesv1.NewConsumablesQueryServiceClient(a.Consumables).GetLot(asService(ctx), &consumablesv1.GetLotRequest{Name: m.GetLot()})
		if err != nil && !fault.HasReason(err, "NOT_FOUND") {
			return nil, fault.New(fault.Unavailable, "STORES_UNREACHABLE", "Stores can't be asked about %s now. Try again in a moment.", m.GetLot()).Because(err)
		}
		items[m.GetLot()] = lot.GetItem()
	}
	return items, nil
}
