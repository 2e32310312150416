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
		if err := live(o); err != nil {
			return nil, err
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
		at, err := u.afterSigning(ctx, o)
		if err != nil {
			return nil, err
		}
		f.RaiseTime, f.OriginalDate = timestamppb.New(at), civil(u.now.In(zone))
		return f, u.raise(ctx, o, f)
	})
}

// raise writes a finding; one that asks to stop work holds the order.
func (u unit) raise(ctx context.Context, o *workordersv1.WorkOrder, f *workordersv1.Finding) error {
	if err := u.evidence(ctx, o, f); err != nil {
		return err
	}
	if err := store.Findings.Insert(ctx, u.Tx, f, u.now); err != nil {
		return err
	}
	if f.GetStopWork() && o.GetHold() == nil {
		if err := u.hold(ctx, o, "Stop work: "+f.GetDescription()); err != nil {
			return err
		}
	}
	return u.tellFinding(ctx, "finding.raised", o, f)
}

// live refuses what is added to an order that has ended.
func live(o *workordersv1.WorkOrder) error {
	if s := o.GetState(); s == workordersv1.WorkOrder_RELEASED || s == workordersv1.WorkOrder_VOIDED {
		return standing(o, "STATE_NOT_ALLOWED", "%s is %s. Draft a new order for what was found.", o.GetName(), s)
	}
	return nil
}

// evidence checks what a finding refers to: its photographs are kept, and one that it carries over gives it its original date.
// Reasons: PHOTO_UNKNOWN, FINDING_UNKNOWN, ENGINE_DIFFERS.
func (u unit) evidence(ctx context.Context, o *workordersv1.WorkOrder, f *workordersv1.Finding) error {
	for i, hash := range f.GetPhotoSha256() {
		f.PhotoSha256[i] = strings.ToLower(hash)
		_, err := store.Attached.Get(ctx, u.Tx, attachmentName(o.GetName(), f.GetPhotoSha256()[i]))
		if fault.HasReason(err, "NOT_FOUND") {
			return fault.Invalid("finding.photo_sha256", "PHOTO_UNKNOWN", "%s has no attachment %s. Add its bytes first, then report the finding.", o.GetName(), hash)
		}
		if err != nil {
			return err
		}
	}
	if f.GetPredecessor() == "" {
		return nil
	}
	earlier, err := store.Findings.Get(ctx, u.Tx, f.GetPredecessor())
	if fault.HasReason(err, "NOT_FOUND") {
		return fault.Invalid("finding.predecessor", "FINDING_UNKNOWN", "There is no finding %q to carry over. Name one that is, or report it as new.", f.GetPredecessor())
	}
	if err != nil {
		return err
	}
	from, err := store.Orders.Get(ctx, u.Tx, orderOf(earlier.GetName()))
	if err != nil {
		return err
	}
	if from.GetEngine() != o.GetEngine() {
		return fault.Precondition("ENGINE_DIFFERS", "%s was found on %s, and %s is for %s. A finding is carried over on its own engine. Report it on an order of that one.",
			earlier.GetName(), from.GetEngine(), o.GetNumber(), o.GetEngine()).With("engine", from.GetEngine())
	}
	f.OriginalDate = earlier.GetOriginalDate()
	return nil
}

func (u unit) tellFinding(ctx context.Context, fact string, o *workordersv1.WorkOrder, f *workordersv1.Finding) error {
	zone, err := u.zoneOf(ctx, o)
	if err != nil {
		return err
	}
	return u.publish(ctx, fact, o.GetName(), &workordersv1.FindingChanged{
		WorkOrder: o.GetName(), Engine: o.GetEngine(), Aircraft: o.GetAircraft(), TimeZone: zone.String(), Finding: f,
	})
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
			return nil, fault.Precondition("STATE_NOT_ALLOWED", "%s is %s; an ANSWERED finding is closed. Answer it first while it is RAISED, and leave it once it is CLOSED.",
				f.GetName(), f.GetState()).With("state", f.GetState().String())
		}
		if f.GetAnswerer() == u.caller.Person {
			return nil, fault.Precondition("SAME_PERSON", "You answered %s yourself; another person must close it. Ask one to.", f.GetName()).With("person", u.caller.Person)
		}
		own, under, err := u.ownOrder(ctx, f)
		if err != nil {
			return nil, err
		}
		if under {
			return nil, fault.Precondition("OWN_ORDER_OPEN", "%s is put right by %s, which is %s. Release that order, which closes it, or end the order first.",
				f.GetName(), own.GetNumber(), own.GetState()).With("order", own.GetName())
		}
		o, err := store.Orders.Get(ctx, tx, orderOf(f.GetName()))
		if err != nil {
			return nil, err
		}
		return f, u.shut(ctx, o, f, req.GetNote())
	})
}
