package app

import (
	"context"
	"fmt"
	"slices"
	"strings"

	compliancev1 "coldsection.example/proto/coldsection/compliance/v1"
	performancev1 "coldsection.example/proto/coldsection/performance/v1"
	workordersv1 "coldsection.example/proto/coldsection/workorders/v1"
	"coldsection.example/services/platform/eventbus"
	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/storage"
	"coldsection.example/services/workorders/internal/store"
)

// washCards are the cards that answer an advice.
var washCards = map[string]string{"recovery_wash": "taskCards/recovery-wash", "salt_rinse": "taskCards/salt-rinse"}

// Recommended drafts an order for a recommended wash, with the requirements that the wash accomplishes.
func (a *App) Recommended(ctx context.Context, eventID string, fact *performancev1.WashRecommended) (eventbus.Effect, error) {
	card := washCards[fact.GetKind()]
	if card == "" {
		return nil, nil
	}
	requirements, err := a.accomplishes(ctx, card, fact.GetEngine())
	if err != nil {
		return nil, err
	}
	drafts, err := a.draftFrom(ctx, &workordersv1.WorkOrder{
		Engine: fact.GetEngine(), TaskCard: card, Requirements: requirements,
		Origin: &workordersv1.Origin{Cause: workordersv1.Origin_ADVICE, Reference: fact.GetWashAdvice(), Reasons: fact.GetReasons(), EventId: eventID},
	}, eventID)
	return func(ctx context.Context, tx *storage.Tx) error {
		if err := a.again(ctx, tx, fact); err != nil {
			return err
		}
		return drafts(ctx, tx)
	}, err
}

// Approached drafts an order for a requirement that comes due, unless one is open for it.
func (a *App) Approached(ctx context.Context, eventID string, fact *compliancev1.DueChanged) (eventbus.Effect, error) {
	if fact.GetTaskCard() == "" || !strings.HasPrefix(fact.GetSubject(), "engines/") {
		return nil, nil
	}
	return a.draftFrom(ctx, &workordersv1.WorkOrder{
		Engine: fact.GetSubject(), TaskCard: fact.GetTaskCard(), Requirements: []string{fact.GetRequirement()},
		Origin: &workordersv1.Origin{Cause: workordersv1.Origin_DUE_ITEM, Reference: fact.GetDueItem(), Reasons: []string{fact.GetExplanation()}, EventId: eventID},
	}, eventID)
}

// nextCards are the cards that answer a cause which a wash did not cure; what has no card of its own begins with readings on the
// ground. When dirt still speaks for itself, the ring may not have brought the water to the blades.
var nextCards = map[string]string{"itt_indication": "taskCards/temperature-trim-check", "fouling": "taskCards/ring-flow-check"}

// firstLook is the card for a cause without a card of its own.
const firstLook = "taskCards/ground-run"

// Measured drafts the next check after a wash that did not recover the engine, once per wash: its reasons say what else may be
// behind it and which check would tell, as performance ranks the causes.
func (a *App) Measured(ctx context.Context, eventID string, fact *performancev1.RecoveryComputed) (eventbus.Effect, error) {
	if fact.GetVerdict() != performancev1.Recovery_NOT_RECOVERED {
		return nil, nil
	}
	causes, err := a.causesOf(ctx, fact)
	if err != nil {
		return nil, err
	}
	card, reasons := firstLook, []string{fact.GetExplanation()}
	for i, c := range causes[:min(len(causes), mostCauses)] {
		if own := nextCards[c.GetCause()]; i == 0 && own != "" {
			card = own
		}
		reasons = append(reasons, fmt.Sprintf("%s, %.0f %%. Next check: %s", strings.ReplaceAll(c.GetCause(), "_", " "), 100*c.GetProbability(), c.GetNextCheck()))
	}
	return a.draftFrom(ctx, &workordersv1.WorkOrder{
		Engine: fact.GetEngine(), TaskCard: card,
		Origin: &workordersv1.Origin{Cause: workordersv1.Origin_NOT_RECOVERED, Reference: fact.GetRecovery(), Reasons: reasons, EventId: eventID},
	}, eventID)
}

// mostCauses is how many causes an order names.
const mostCauses = 3

// causesOf are what else may be behind it, most probable first: as the fact says, or as performance ranks them now.
func (a *App) causesOf(ctx context.Context, fact *performancev1.RecoveryComputed) ([]*performancev1.Cause, error) {
	if len(fact.GetOtherCauses()) > 0 {
		return fact.GetOtherCauses(), nil
	}
	now, err := performancev1.NewPerformanceQueryServiceClient(a.Performance).GetAssessment(asService(ctx), &performancev1.GetAssessmentRequest{Name: fact.GetEngine() + "/assessment"})
	if err != nil && !fault.HasReason(err, "NOT_FOUND") {
		return nil, fault.New(fault.Unavailable, "PERFORMANCE_UNREACHABLE", "The causes for %s can't be read now. Try again in a moment.", fact.GetEngine()).Because(err)
	}
	return now.GetCauses(), nil
}

// answered says whether an order makes another one for the same origin needless: one of its card is under way, or one answered the
// same wash before. What comes due needs an order that names it: the release of another one of the same card would leave it due.
func answered(o, by *workordersv1.WorkOrder) bool {
	ended := o.GetState() == workordersv1.WorkOrder_RELEASED || o.GetState() == workordersv1.WorkOrder_VOIDED
	again := by.GetOrigin().GetCause() == workordersv1.Origin_NOT_RECOVERED && o.GetOrigin().GetReference() == by.GetOrigin().GetReference()
	unnamed := by.GetOrigin().GetCause() == workordersv1.Origin_DUE_ITEM && !slices.Contains(o.GetRequirements(), by.GetRequirements()[0])
	return again || !ended && o.GetTaskCard() == by.GetTaskCard() && !unnamed
}

// draftFrom asks what a draft needs, and drafts unless an order of this card is under way on the engine.
func (a *App) draftFrom(ctx context.Context, order *workordersv1.WorkOrder, eventID string) (eventbus.Effect, error) {
	d, err := a.prepare(ctx, order, "from-"+eventID)
	if err != nil {
		return nil, err
	}
	return func(ctx context.Context, tx *storage.Tx) error {
		others, err := store.Orders.Where(ctx, tx, "engine = $1", order.GetEngine())
		if err != nil {
			return err
		}
		for _, o := range others {
			if answered(o, order) {
				return nil
			}
		}
		_, err = a.unit(ctx, tx).draft(ctx, d)
		return err
	}, nil
}

// accomplishes asks compliance which requirements of an engine a card does.
func (a *App) accomplishes(ctx context.Context, card, engine string) ([]string, error) {
	client := compliancev1.NewComplianceQueryServiceClient(a.Compliance)
	due, err := client.ListDueItems(asService(ctx), &compliancev1.ListDueItemsRequest{Filter: `subject = "` + engine + `"`, PageSize: 1000})
	if err != nil {
		return nil, unreachable(err)
	}
	var names []string
	for _, item := range due.GetDueItems() {
		r, err := client.GetRequirement(asService(ctx), &compliancev1.GetRequirementRequest{Name: item.GetRequirement()})
		if err != nil {
			return nil, unreachable(err)
		}
		if r.GetTaskCard() == card {
			names = append(names, r.GetName())
		}
	}
	return names, nil
}
