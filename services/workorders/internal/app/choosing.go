package app

import (
	"context"
	"strings"

	workordersv1 "coldsection.example/proto/coldsection/workorders/v1"
	"coldsection.example/services/platform/fault"
	"coldsection.example/services/workorders/internal/plan"
	"coldsection.example/services/workorders/internal/store"
)

var environments = map[string]workordersv1.WashEnvironment_Class{
	"": workordersv1.WashEnvironment_CLEAN_AIR, plan.Salt: workordersv1.WashEnvironment_SALT_AIR, plan.Sand: workordersv1.WashEnvironment_SAND_AIR,
	plan.Ash: workordersv1.WashEnvironment_VOLCANIC_ASH, plan.Industrial: workordersv1.WashEnvironment_INDUSTRIAL_AIR, plan.Agricultural: workordersv1.WashEnvironment_AGRICULTURAL_AIR,
}

var proposed = map[plan.Wash]workordersv1.TaskCard_Kind{plan.Rinse: workordersv1.TaskCard_SALT_RINSE, plan.Recovery: workordersv1.TaskCard_RECOVERY_WASH}

// environmentOf is which wash follows from what an engine flew through, nil while nothing is recorded.
func environmentOf(d plan.Data) *workordersv1.WashEnvironment {
	p, known := plan.Propose(d)
	if !known {
		return nil
	}
	return &workordersv1.WashEnvironment{Class: environments[p.Class], ProposedKind: proposed[p.Wash], Reasons: p.Reasons}
}

// choose keeps why an order is for another wash than follows from its environment: as the planner says now or said before, or by what the
// order comes from. Reason: CHOICE_REASON_MISSING.
func (u unit) choose(ctx context.Context, o *workordersv1.WorkOrder, p *workordersv1.WashPlan, reason string) error {
	e := p.GetEnvironment()
	if e == nil || e.GetProposedKind() == workordersv1.TaskCard_KIND_UNSPECIFIED || e.GetProposedKind() == o.GetKind() {
		return nil
	}
	e.ChoiceReason, e.Chooser = strings.TrimSpace(reason), u.caller.Person
	if e.GetChoiceReason() != "" {
		return nil
	}
	before, err := store.Plans.Get(ctx, u.Tx, p.GetName())
	if err != nil && !fault.HasReason(err, "NOT_FOUND") {
		return err
	}
	e.ChoiceReason, e.Chooser = before.GetEnvironment().GetChoiceReason(), before.GetEnvironment().GetChooser()
	if e.GetChoiceReason() == "" && o.GetOrigin().GetCause() != workordersv1.Origin_MANUAL {
		e.ChoiceReason = strings.Join(o.GetOrigin().GetReasons(), "; ")
	}
	if e.GetChoiceReason() != "" {
		return nil
	}
	return fault.Precondition("CHOICE_REASON_MISSING", "%s follows from what %s flew through (%s), and the order is for %s. Draft that one, or say why this one is done.",
		e.GetProposedKind(), o.GetEngine(), strings.Join(e.GetReasons(), "; "), o.GetKind()).With("proposed_kind", e.GetProposedKind().String())
}
