package app

import (
	"context"

	workordersv1 "coldsection.example/proto/coldsection/workorders/v1"
	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/idempotency"
	"coldsection.example/services/platform/resource"
	"coldsection.example/services/platform/storage"
	"coldsection.example/services/workorders/internal/app/cards"
	"coldsection.example/services/workorders/internal/store"
)

// CreateTaskCard adds a card, or the next revision of one. Orders that were drafted keep the steps of their revision.
func (a *App) CreateTaskCard(ctx context.Context, req *workordersv1.CreateTaskCardRequest) (*workordersv1.TaskCard, error) {
	return idempotency.Execute(ctx, a.DB, a.Clock, req, func(ctx context.Context, tx *storage.Tx) (*workordersv1.TaskCard, error) {
		card := req.GetTaskCard()
		resource.ClearOutputOnly(card)
		if err := cards.Check(card); err != nil {
			return nil, err
		}
		card.Name = a.newName("taskCards", req.GetTaskCardId())
		return card, a.unit(ctx, tx).keepCard(ctx, card)
	})
}

// keepCard writes a card as the next revision of its name. Reason: KIND_FIXED.
func (u unit) keepCard(ctx context.Context, card *workordersv1.TaskCard) error {
	old, err := store.Cards.Lock(ctx, u.Tx, card.GetName())
	if fault.HasReason(err, "NOT_FOUND") {
		card.Revision = 1
		return store.Cards.Insert(ctx, u.Tx, card, u.now)
	}
	if err != nil {
		return err
	}
	if old.GetKind() != card.GetKind() {
		return fault.Invalid("task_card.kind", "KIND_FIXED", "%s is a card for %s and stays one. Give another kind a card of its own.", card.GetName(), old.GetKind())
	}
	if err := store.KeepRevision(ctx, u.Tx, old); err != nil {
		return err
	}
	card.Revision, card.CreateTime = old.GetRevision()+1, old.GetCreateTime()
	return store.Cards.Save(ctx, u.Tx, card, u.now)
}
