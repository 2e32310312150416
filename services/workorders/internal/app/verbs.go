package app

import (
	"context"

	"google.golang.org/protobuf/types/known/timestamppb"

	commonv1 "coldsection.example/proto/coldsection/common/v1"
	workordersv1 "coldsection.example/proto/coldsection/workorders/v1"
	"coldsection.example/services/platform/idempotency"
	"coldsection.example/services/platform/storage"
	"coldsection.example/services/workorders/internal/store"
)

// FinishWorkOrder signs that the work was done.
func (a *App) FinishWorkOrder(ctx context.Context, req *workordersv1.FinishWorkOrderRequest) (*workordersv1.WorkOrder, error) {
	return a.sign(ctx, req, signing{
		name: req.GetName(), etag: req.GetEtag(), token: req.GetReauthenticationToken(), hash: req.GetContentHash(), meaning: commonv1.Signature_PERFORMED,
	}, req.GetEndCounters())
}

// InspectWorkOrder signs that somebody else's work was inspected.
func (a *App) InspectWorkOrder(ctx context.Context, req *workordersv1.InspectWorkOrderRequest) (*workordersv1.WorkOrder, error) {
	return a.sign(ctx, req, signing{
		name: req.GetName(), etag: req.GetEtag(), token: req.GetReauthenticationToken(), hash: req.GetContentHash(), meaning: commonv1.Signature_INSPECTED,
		exception: req.GetExceptionReason(),
	}, nil)
}

// ReleaseWorkOrder signs the release.
func (a *App) ReleaseWorkOrder(ctx context.Context, req *workordersv1.ReleaseWorkOrderRequest) (*workordersv1.WorkOrder, error) {
	return a.sign(ctx, req, signing{
		name: req.GetName(), etag: req.GetEtag(), token: req.GetReauthenticationToken(), hash: req.GetContentHash(), meaning: commonv1.Signature_RELEASED,
		notDone: req.GetNotDone(), result: req.GetInspectionResult(), listDate: req.GetDiscrepancyListDate(),
	}, nil)
}

// ReworkWorkOrder sends the work back; the signatures so far stop covering it.
func (a *App) ReworkWorkOrder(ctx context.Context, req *workordersv1.ReworkWorkOrderRequest) (*workordersv1.WorkOrder, error) {
	return idempotency.Execute(ctx, a.DB, a.Clock, req, func(ctx context.Context, tx *storage.Tx) (*workordersv1.WorkOrder, error) {
		u := a.unit(ctx, tx)
		o, err := u.lock(ctx, req.GetName(), req.GetEtag())
		if err != nil {
			return nil, err
		}
		sigs, err := u.signaturesOf(ctx, o)
		if err != nil {
			return nil, err
		}
		for _, s := range sigs {
			if s.GetSubject() != "" {
				continue // what was done on a step stays done, unless it is named
			}
			s.VoidTime = timestamppb.New(u.now)
			if err := store.Signatures.Save(ctx, tx, s, u.now); err != nil {
				return nil, err
			}
		}
		// The end that was signed is no end any more; the facts keep it. Who signs again would else sign its counters, too.
		o.ReworkReason, o.FinishTime, o.EndCounters = req.GetReason(), nil, nil
		if err := u.advance(ctx, o, "rework", func(c *workordersv1.WorkOrderChanged) { c.Reason = req.GetReason() }); err != nil || len(req.GetSteps()) == 0 {
			return o, err
		}
		return o, u.reopen(ctx, o, req.GetSteps(), req.GetReason())
	})
}
