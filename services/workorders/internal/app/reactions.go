package app

import (
	"context"
	"strings"

	compliancev1 "coldsection.example/proto/coldsection/compliance/v1"
	performancev1 "coldsection.example/proto/coldsection/performance/v1"
	workordersv1 "coldsection.example/proto/coldsection/workorders/v1"
	"coldsection.example/services/platform/eventbus"
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
	return a.draftFrom(ctx, &workordersv1.WorkOrder{
		Engine: fact.GetEngine(), TaskCard: card, Requirements: requirements,
		Origin: &workordersv1.Origin{Cause: workordersv1.Origin_ADVICE, Reference: fact.GetWashAdvice(), Reasons: fact.GetReasons(), EventId: eventID},
	}, eventID)
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

// draftFrom asks what a draft needs, and drafts unless an order of this card is under way on the engine.
func (a *App) draftFrom(ctx context.Context, order *workordersv1.WorkOrder, eventID string) (eventbus.Effect, error) {
	d, err := a.prepare(ctx, order, "from-"+eventID)
	if err != nil {
		return nil, err
	}
	return func(ctx context.Context, tx *storage.Tx) error {
		open, err := store.Orders.Where(ctx, tx, "engine = $1 AND state NOT IN ('RELEASED', 'VOIDED')", order.GetEngine())
		if err != nil {
			return err
		}
		for _, o := range open {
			if o.GetTaskCard() == order.GetTaskCard() {
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
