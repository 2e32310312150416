package app

import (
	"context"
	"slices"
	"strings"

	consumablesv1 "coldsection.example/proto/coldsection/consumables/v1"
	"coldsection.example/services/consumables/internal/store"
	"coldsection.example/services/platform/fault"
)

// checkUses refuses an allowed use that no document states. Reason: DOCUMENT_REVISION_MISSING.
func checkUses(item *consumablesv1.Item) error {
	for _, use := range item.GetAllowedUses() {
		if d := use.GetDocument(); strings.TrimSpace(d.GetTitle()) == "" || strings.TrimSpace(d.GetRevision()) == "" {
			return fault.Invalid("item.allowed_uses.document.revision", "DOCUMENT_REVISION_MISSING",
				"The use for %s names the document that allows it and its revision. Add both.", use.GetWorkKind())
		}
	}
	return nil
}

// workOf is what the order of some demands is, as far as stores know.
func workOf(demands []store.Demand) (work store.Work) {
	for _, d := range demands {
		if d.Work.Kind != "" {
			work = d.Work
		}
	}
	return work
}

// allowedUse refuses to hand an item out for work that it is not allowed for; one without allowed uses is for any. What kind of work an
// order is, by which task card and on which model of engine, stores know from its schedule only. Reasons: USE_NOT_ALLOWED, WORK_KIND_UNKNOWN,
// ENGINE_MODEL_UNKNOWN, WORK_CARD_UNKNOWN.
func allowedUse(item *consumablesv1.Item, demands []store.Demand, order string) error {
	if len(item.GetAllowedUses()) == 0 {
		return nil
	}
	work := workOf(demands)
	if work.Kind == "" {
		return fault.Precondition("WORK_KIND_UNKNOWN", "%s is for %s only, and stores don't know what work %s is. Schedule the order first.",
			item.GetName(), usesOf(item), order).With("item", item.GetName()).With("work_order", order)
	}
	var model, card bool // whether one would do if it were known
	for _, use := range item.GetAllowedUses() {
		if use.GetWorkKind() != work.Kind {
			continue
		}
		onModel, byCard := within(use.GetEngineModels(), work.EngineModel), within(use.GetTaskCards(), work.TaskCard)
		if onModel && byCard {
			return nil
		}
		model = model || work.EngineModel == "" && !onModel && (byCard || work.TaskCard == "")
		card = card || work.TaskCard == "" && !byCard && onModel
	}
	return notAllowed(item, work, order, model, card)
}

// within reports whether a use that is limited to some names is for this one; without names it is for any.
func within(names []string, name string) bool { return len(names) == 0 || slices.Contains(names, name) }

// notAllowed says why an item is not for an order's work, or what would have to be known of it first.
func notAllowed(item *consumablesv1.Item, work store.Work, order string, model, card bool) error {
	var f *fault.Error
	switch {
	case model:
		f = fault.Precondition("ENGINE_MODEL_UNKNOWN", "%s is for %s, and stores don't know the engine model of %s. Give the engine its model and schedule the order again.",
			item.GetName(), usesOf(item), order)
	case card:
		f = fault.Precondition("WORK_CARD_UNKNOWN", "%s is for %s, and stores don't know the task card of %s. Schedule the order again.",
			item.GetName(), usesOf(item), order)
	default:
		f = fault.Precondition("USE_NOT_ALLOWED", "%s is for %s, and %s is %s. Take an item that is allowed for that work, or have the use allowed on the item.",
			item.GetName(), usesOf(item), order, wordsOf(work)).With("work_kind", work.Kind).With("engine_model", work.EngineModel).With("task_card", work.TaskCard)
	}
	return f.With("item", item.GetName()).With("work_order", order)
}

// allowedMix refuses to mix for an order what goes in or comes out and is not allowed for its work: an item may have been limited since it
// was handed out. Reasons: as of allowedUse.
func (u unit) allowedMix(ctx context.Context, order string, items ...*consumablesv1.Item) error {
	demands, err := store.DemandsOf(ctx, u.Tx, order)
	if err != nil {
		return err
	}
	for _, item := range items {
		if err := allowedUse(item, demands, order); err != nil {
			return err
		}
	}
	return nil
}

func wordsOf(work store.Work) string {
	words := work.Kind
	if work.TaskCard != "" {
		words += " by " + work.TaskCard
	}
	if work.EngineModel != "" {
		words += " on " + work.EngineModel
	}
	return words
}

// usesOf are the allowed uses of an item with their documents.
func usesOf(item *consumablesv1.Item) string {
	uses := make([]string, len(item.GetAllowedUses()))
	for i, use := range item.GetAllowedUses() {
		uses[i] = use.GetWorkKind()
		if len(use.GetTaskCards()) > 0 {
			uses[i] += " by " + strings.Join(use.GetTaskCards(), " and ")
		}
		if len(use.GetEngineModels()) > 0 {
			uses[i] += " on " + strings.Join(use.GetEngineModels(), " and ")
		}
		uses[i] += " (" + use.GetDocument().GetTitle() + " " + use.GetDocument().GetRevision() + ")"
	}
	return strings.Join(uses, ", ")
}
