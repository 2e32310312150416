package app

import (
	"context"
	"strings"

	"google.golang.org/protobuf/types/known/timestamppb"

	workordersv1 "coldsection.example/proto/coldsection/workorders/v1"
	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/idempotency"
	"coldsection.example/services/platform/resource"
	"coldsection.example/services/platform/storage"
	"coldsection.example/services/workorders/internal/store"
)

// CreateFinding reports something found.
func (a *App) CreateFinding(ctx context.Context, req *workordersv1.CreateFindingRequest) (*workordersv1.Finding, error) {
	return idempotency.Execute(ctx, a.DB, a.Clock, req, func(ctx context.Context, tx *storage.Tx) (*workordersv1.Finding, error) {
		u := a.unit(ctx, tx)
		me, err := u.me()
		if err != nil {
			return nil, err
		}
		o, err := store.Orders.Lock(ctx, tx, req.GetParent())
		if err != nil {
			return nil, err
		}
		if s := o.GetState(); s == workordersv1.WorkOrder_RELEASED || s == workordersv1.WorkOrder_VOIDED {
			return nil, fault.Precondition("STATE_NOT_ALLOWED", "%s is %s. Draft a new order for what was found.", o.GetName(), s).With("state", s.String())
		}
		if err := u.stepOf(ctx, o, "finding.step", req.GetFinding().GetStep()); err != nil {
			return nil, err
		}
		zone, err := u.zoneOf(ctx, o)
		if err != nil {
			return nil, err
		}
		f := req.GetFinding()
		resource.ClearOutputOnly(f)
		f.Name, f.State, f.Raiser = a.newName(o.GetName()+"/findings", req.GetFindingId()), workordersv1.Finding_RAISED, me
		f.RaiseTime, f.OriginalDate = timestamppb.New(u.now), civil(u.now.In(zone))
		if err := store.Findings.Insert(ctx, tx, f, u.now); err != nil {
			return nil, err
		}
		if f.GetStopWork() && o.GetHold() == nil {
			if err := u.hold(ctx, o, "Stop work: "+f.GetDescription()); err != nil {
				return nil, err
			}
		}
		return f, u.publish(ctx, "finding.raised", o.GetName(), &workordersv1.FindingChanged{WorkOrder: o.GetName(), Engine: o.GetEngine(), Finding: f})
	})
}

// AnswerFinding says what is done about it.
func (a *App) AnswerFinding(ctx context.Context, req *workordersv1.AnswerFindingRequest) (*workordersv1.Finding, error) {
	return idempotency.Execute(ctx, a.DB, a.Clock, req, func(ctx context.Context, tx *storage.Tx) (*workordersv1.Finding, error) {
		u := a.unit(ctx, tx)
		f, err := store.Findings.Lock(ctx, tx, req.GetName())
		if err != nil {
			return nil, err
		}
		if err := resource.CheckEtag(f, req.GetEtag()); err != nil {
			return nil, err
		}
		if err := u.mayDefer(ctx, f, req); err != nil {
			return nil, err
		}
		if f.GetState() != workordersv1.Finding_RAISED {
			return nil, fault.Precondition("STATE_NOT_ALLOWED", "%s is %s already.", f.GetName(), f.GetState()).With("state", f.GetState().String())
		}
		f.State, f.Disposition, f.Answer, f.Answerer = workordersv1.Finding_ANSWERED, req.GetDisposition(), req.GetAnswer(), u.caller.Person
		f.Basis, f.LimitDate = req.GetBasis(), req.GetLimitDate()
		if err := store.Findings.Save(ctx, tx, f, u.now); err != nil {
			return nil, err
		}
		return f, u.publish(ctx, "finding.answered", orderOf(f.GetName()), &workordersv1.FindingChanged{WorkOrder: orderOf(f.GetName()), Finding: f})
	})
}

// mayDefer refuses a deferral without its basis and last day, or whose last day is past. Reason: DEFERRAL_INCOMPLETE.
func (u unit) mayDefer(ctx context.Context, f *workordersv1.Finding, req *workordersv1.AnswerFindingRequest) error {
	if req.GetDisposition() != workordersv1.Finding_DEFER {
		return nil
	}
	if strings.TrimSpace(req.GetBasis()) == "" || req.GetLimitDate() == nil {
		return fault.Invalid("basis", "DEFERRAL_INCOMPLETE", "A deferral names the data that allow it and its last day. Add both.")
	}
	o, err := store.Orders.Get(ctx, u.Tx, orderOf(f.GetName()))
	if err != nil {
		return err
	}
	zone, err := u.zoneOf(ctx, o)
	if err != nil {
		return err
	}
	if today := resource.DateText(civil(u.now.In(zone))); resource.DateText(req.GetLimitDate()) < today {
		return fault.Invalid("limit_date", "DEFERRAL_PAST", "The last day of the deferral, %s, is before today, %s. Put it right now, or give a day to come.",
			resource.DateText(req.GetLimitDate()), today)
	}
	return nil
}

// CloseFinding closes an answered finding, by somebody else than who answered it.
func (a *App) CloseFinding(ctx context.Context, req *workordersv1.CloseFindingRequest) (*workordersv1.Finding, error) {
	return idempotency.Execute(ctx, a.DB, a.Clock, req, func(ctx context.Context, tx *storage.Tx) (*workordersv1.Finding, error) {
		u := a.unit(ctx, tx)
		f, err := store.Findings.Lock(ctx, tx, req.GetName())
		if err != nil {
			return nil, err
		}
		if err := resource.CheckEtag(f, req.GetEtag()); err != nil {
			return nil, err
		}
		if f.GetState() != workordersv1.Finding_ANSWERED {
			return nil, fault.Precondition("STATE_NOT_ALLOWED", "%s is %s; an ANSWERED finding is closed.", f.GetName(), f.GetState()).With("state", f.GetState().String())
		}
		if f.GetAnswerer() == u.caller.Person {
			return nil, fault.Precondition("SAME_PERSON", "%s answered it; another person closes it.", u.caller.Person)
		}
		f.State, f.CloseTime = workordersv1.Finding_CLOSED, timestamppb.New(u.now)
		if err := store.Findings.Save(ctx, tx, f, u.now); err != nil {
			return nil, err
		}
		return f, u.publish(ctx, "finding.closed", orderOf(f.GetName()), &workordersv1.FindingChanged{WorkOrder: orderOf(f.GetName()), Finding: f})
	})
}
