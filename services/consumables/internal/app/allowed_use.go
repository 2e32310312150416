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
// order is and on which model of engine, stores know from its schedule only. Reasons: USE_NOT_ALLOWED, WORK_KIND_UNKNOWN,
// ENGINE_MODEL_UNKNOWN.
func allowedUse(item *consumablesv1.Item, demands []store.Demand, order string) error {
	if len(item.GetAllowedUses()) == 0 {
		return nil
	}
	work := workOf(demands)
	if work.Kind == "" {
		return fault.Precondition("WORK_KIND_UNKNOWN", "%s is for %s only, and stores don't know what work %s is. Schedule the order first.",
			item.GetName(), usesOf(item), order).With("item", item.GetName()).With("work_order", order)
	}
	known := true
	for _, use := range item.GetAllowedUses() {
		if use.GetWorkKind() != work.Kind {
			continue
		}
		if len(use.GetEngineModels()) == 0 || slices.Contains(use.GetEngineModels(), work.EngineModel) {
			return nil
		}
		known = known && work.EngineModel != ""
	}
	if !known {
		return fault.Precondition("ENGINE_MODEL_UNKNOWN", "%s is for %s, and stores don't know the engine model of %s. Give the engine its model and schedule the order again.",
			item.GetName(), usesOf(item), order).With("item", item.GetName()).With("work_order", order)
	}
	return fault.Precondition("USE_NOT_ALLOWED", "%s is for %s, and %s is %s. Take an item that is allowed for that work, or have the use allowed on the item.",
		item.GetName(), usesOf(item), order, wordsOf(work)).With("item", item.GetName()).With("work_order", order).With("work_kind", work.Kind).
		With("engine_model", work.EngineModel)
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
	if work.EngineModel == "" {
		return work.Kind
	}
	return work.Kind + " on " + work.EngineModel
}

// usesOf are the allowed uses of an item with their documents.
func usesOf(item *consumablesv1.Item) string {
	uses := make([]string, len(item.GetAllowedUses()))
	for i, use := range item.GetAllowedUses() {
		uses[i] = use.GetWorkKind()
		if len(use.GetEngineModels()) > 0 {
			uses[i] += " on " + strings.Join(use.GetEngineModels(), " and ")
		}
		uses[i] += " (" + use.GetDocument().GetTitle() + " " + use.GetDocument().GetRevision() + ")"
	}
	return strings.Join(uses, ", ")
}
