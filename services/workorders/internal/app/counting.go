package app

import (
	"fmt"
	"slices"
	"strings"

	workordersv1 "coldsection.example/proto/coldsection/workorders/v1"
	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/quantity"
)

// counted compares what went out with what came back. What earlier steps took out is known already; without any, the step itself
// says both numbers. A forgotten blank can stop an engine. Reasons: COUNT_DIFFERS, COUNT_MISSING.
func counted(all []*workordersv1.Step, step *workordersv1.Step, req *workordersv1.CompleteStepRequest) error {
	if step.GetKind() != workordersv1.StepKind_STEP_KIND_RESTORE_AND_COUNT {
		return countedLater(all, step, req)
	}
	at := slices.IndexFunc(all, func(s *workordersv1.Step) bool { return s.GetName() == step.GetName() })
	out := stillOut(all[:at+1]) // what went out before this count
	if out == 0 {
		out = req.GetRemovedItemCount()
	}
	switch {
	case out != req.GetRestoredItemCount() || req.GetRemovedItemCount() != 0 && req.GetRemovedItemCount() != out:
		return fault.Precondition("COUNT_DIFFERS", "%d items went out and %d came back. Find what is missing before you go on.", out, req.GetRestoredItemCount())
	case out == 0 && strings.TrimSpace(req.GetNote()) == "":
		return fault.Invalid("restored_item_count", "COUNT_MISSING", "Step %d counts what came back. Say how many items went out and came back, or note why nothing was taken out.",
			step.GetPosition())
	default:
		return nil
	}
}

// countedLater refuses to take items out where a later step counted everything back already: nobody would count these. Reason: COUNTED_ALREADY.
func countedLater(all []*workordersv1.Step, step *workordersv1.Step, req *workordersv1.CompleteStepRequest) error {
	for _, later := range all {
		if req.GetRemovedItemCount() > 0 && later.GetPosition() > step.GetPosition() && later.GetState() == workordersv1.Step_DONE &&
			later.GetKind() == workordersv1.StepKind_STEP_KIND_RESTORE_AND_COUNT {
			return fault.Precondition("COUNTED_ALREADY", "Step %d takes items out, and step %d, %q, which counts them back, is done. Open that one again, then go on.",
				step.GetPosition(), later.GetPosition(), later.GetTitle()).With("step", later.GetName())
		}
	}
	return nil
}

// someOfEach refuses an amount that is nothing or less: stores would book what nobody used. Reason: QUANTITY_NOT_POSITIVE.
func someOfEach(uses []*workordersv1.MaterialUse) error {
	for i, use := range uses {
		q, err := quantity.Parse(use.GetQuantity().GetValue(), use.GetQuantity().GetUnitCode())
		if err != nil {
			return err
		}
		if q.Sign() <= 0 {
			return fault.Invalid(fmt.Sprintf("materials[%d].quantity", i), "QUANTITY_NOT_POSITIVE", "%s of %s is no amount that was used. Give the amount that was, or leave the lot out.",
				q, use.GetLot())
		}
	}
	return nil
}
