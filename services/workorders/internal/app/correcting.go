package app

import (
	"cmp"
	"context"

	workordersv1 "coldsection.example/proto/coldsection/workorders/v1"
	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/idempotency"
	"coldsection.example/services/platform/resource"
	"coldsection.example/services/platform/storage"
	"coldsection.example/services/workorders/internal/store"
)

// SupersedeMeasurement corrects a reading, its tool or its time by a new one; the old one stays readable. The tool is looked at anew, on the day of
// the new one: it may have been found wrong since.
func (a *App) SupersedeMeasurement(ctx context.Context, req *workordersv1.SupersedeMeasurementRequest) (*workordersv1.Measurement, error) {
	order, err := store.Orders.Read(ctx, a.DB, orderOf(req.GetName()))
	if err != nil {
		return nil, err
	}
	wrong, err := store.Measured.Read(ctx, a.DB, req.GetName())
	if err != nil {
		return nil, err
	}
	tool, toolErr := a.calibration(ctx, order, corrected(wrong, req))
	return idempotency.Execute(ctx, a.DB, a.Clock, req, func(ctx context.Context, tx *storage.Tx) (*workordersv1.Measurement, error) {
		u := a.unit(ctx, tx)
		old, err := store.Measured.Lock(ctx, tx, req.GetName())
		if err != nil {
			return nil, err
		}
		if err := resource.CheckEtag(old, req.GetEtag()); err != nil {
			return nil, err
		}
		if err := u.mayReplace(ctx, old); err != nil {
			return nil, err
		}
		if toolErr != nil {
			return nil, toolErr
		}
		m := corrected(old, req)
		m.Name, m.ToolCalibration = a.newName(order.GetName()+"/measurements", ""), tool.GetEvidence()
		if err := u.measure(ctx, m, tool.GetToolType()); err != nil {
			return nil, err
		}
		old.Successor = m.GetName()
		return m, store.Measured.Save(ctx, tx, old, u.now)
	})
}

// corrected is a reading as a correction has it.
func corrected(old *workordersv1.Measurement, req *workordersv1.SupersedeMeasurementRequest) *workordersv1.Measurement {
	at := req.GetMeasureTime()
	if at == nil {
		at = old.GetMeasureTime()
	}
	return &workordersv1.Measurement{
		Step: old.GetStep(), Key: old.GetKey(), Entered: req.GetEntered(), Tool: cmp.Or(req.GetTool(), old.GetTool()), MeasureTime: at,
		ExceedanceConfirmed: req.GetExceedanceConfirmed(), Reason: req.GetReason(), Supersedes: old.GetName(), PaperEntry: old.GetPaperEntry(),
	}
}

// mayReplace refuses to correct what was corrected already, and what was read before its step was opened again: the step is read anew then, and a
// correction would stand for that. Reasons: NOT_HEAD_OF_LINE, STATE_NOT_ALLOWED.
func (u unit) mayReplace(ctx context.Context, old *workordersv1.Measurement) error {
	if err := headOfLine(old.GetName(), old.GetSuccessor()); err != nil {
		return err
	}
	step, err := store.Steps.Get(ctx, u.Tx, old.GetStep())
	if err == nil && !anew(step, old) {
		return fault.Precondition("STATE_NOT_ALLOWED", "Step %d was opened again after %s was read, which stands as what was before. Record the reading anew.", step.GetPosition(),
			old.GetName()).With("step", step.GetName())
	}
	return err
}

// headOfLine refuses an entry that has a successor. Reason: NOT_HEAD_OF_LINE.
func headOfLine(name, successor string) error {
	if successor != "" {
		return fault.Precondition("NOT_HEAD_OF_LINE", "%s was corrected already by %s. Correct that one.", name, successor).With("successor", successor)
	}
	return nil
}
