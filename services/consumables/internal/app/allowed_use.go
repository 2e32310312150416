package app

import (
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

// allowedUse refuses to hand an item out for work that it is not allowed for; one without allowed uses is for any. What kind of work an
// order is, stores know from its schedule only. Reasons: USE_NOT_ALLOWED, WORK_KIND_UNKNOWN.
func allowedUse(item *consumablesv1.Item, demands []store.Demand, order string) error {
	if len(item.GetAllowedUses()) == 0 {
		return nil
	}
	kind := ""
	for _, d := range demands {
		if d.Kind != "" {
			kind = d.Kind
		}
	}
	if kind == "" {
		return fault.Precondition("WORK_KIND_UNKNOWN", "%s is for %s only, and stores don't know what work %s is. Schedule the order first.",
			item.GetName(), usesOf(item), order).With("item", item.GetName()).With("work_order", order)
	}
	for _, use := range item.GetAllowedUses() {
		if use.GetWorkKind() == kind {
			return nil
		}
	}
	return fault.Precondition("USE_NOT_ALLOWED", "%s is for %s, and %s is %s. Take an item that is allowed for that work, or have the use allowed on the item.",
		item.GetName(), usesOf(item), order, kind).With("item", item.GetName()).With("work_order", order).With("work_kind", kind)
}

// usesOf are the allowed uses of an item with their documents.
func usesOf(item *consumablesv1.Item) string {
	uses := make([]string, len(item.GetAllowedUses()))
	for i, use := range item.GetAllowedUses() {
		uses[i] = use.GetWorkKind() + " (" + use.GetDocument().GetTitle() + " " + use.GetDocument().GetRevision() + ")"
	}
	return strings.Join(uses, ", ")
}
