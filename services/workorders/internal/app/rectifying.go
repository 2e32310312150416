package app

import (
	"context"
	"slices"

	"google.golang.org/protobuf/types/known/timestamppb"

	workordersv1 "coldsection.example/proto/coldsection/workorders/v1"
	"coldsection.example/services/platform/fault"
	"coldsection.example/services/workorders/internal/store"
)

// ofFinding says that an order was raised to put a finding right.
func ofFinding(o *workordersv1.WorkOrder) bool {
	return o.GetOrigin().GetCause() == workordersv1.Origin_FINDING
}

// raiseFor makes an order the own one of the finding that it comes from, so that each names the other. Reasons: FINDING_UNKNOWN,
// FINDING_NOT_TO_RECTIFY, ENGINE_DIFFERS, OWN_ORDER_EXISTS.
func (u unit) raiseFor(ctx context.Context, o *workordersv1.WorkOrder) error {
	if !ofFinding(o) {
		return nil
	}
	name := o.GetOrigin().GetReference()
	f, err := store.Findings.Lock(ctx, u.Tx, name)
	if fault.HasReason(err, "NOT_FOUND") {
		return fault.Invalid("work_order.origin.reference", "FINDING_UNKNOWN", "There is no finding %q to raise an order from. Give the name of one.", name)
	}
	if err != nil {
		return err
	}
	from, err := store.Orders.Get(ctx, u.Tx, orderOf(name))
	if err != nil {
		return err
	}
	if err := u.mayRaise(ctx, f, from, o); err != nil {
		return err
	}
	f.OwnOrder = o.GetName()
	if err := store.Findings.Save(ctx, u.Tx, f, u.now); err != nil {
		return err
	}
	return u.tellFinding(ctx, "finding.ordered", from, f)
}

// mayRaise refuses an order for a finding that nobody decided to put right, of another engine, or with an order of its own under way.
func (u unit) mayRaise(ctx context.Context, f *workordersv1.Finding, from, o *workordersv1.WorkOrder) error {
	agreed := f.GetCustomerDecision().GetVerdict() == workordersv1.CustomerDecision_AGREED
	decided := f.GetDisposition() == workordersv1.Finding_RECTIFY || f.GetDisposition() == workordersv1.Finding_DEFER || agreed
	if f.GetState() != workordersv1.Finding_ANSWERED || !decided {
		return fault.Precondition("FINDING_NOT_TO_RECTIFY",
			"%s is %s, with %s. An order of its own is raised once it was answered with RECTIFY or DEFER, or the customer agreed. Answer it first.",
			f.GetName(), f.GetState(), f.GetDisposition()).With("state", f.GetState().String())
	}
	if from.GetEngine() != o.GetEngine() {
		return fault.Precondition("ENGINE_DIFFERS", "%s was found on %s, and the order is for %s. Draft it for the engine that the finding is of.",
			f.GetName(), from.GetEngine(), o.GetEngine()).With("engine", from.GetEngine())
	}
	if _, under, err := u.ownOrder(ctx, f); err != nil || !under {
		return err
	}
	return fault.Precondition("OWN_ORDER_EXISTS", "%s has %s to put it right. Work on that one, or end it first.", f.GetName(), f.GetOwnOrder()).With("order", f.GetOwnOrder())
}

// ownOrder is the order that puts a finding right, and whether it is under way; without one nothing is.
func (u unit) ownOrder(ctx context.Context, f *workordersv1.Finding) (own *workordersv1.WorkOrder, under bool, err error) {
	if f.GetOwnOrder() == "" {
		return nil, false, nil
	}
	own, err = store.Orders.Get(ctx, u.Tx, f.GetOwnOrder())
	return own, err == nil && own.GetState() != workordersv1.WorkOrder_RELEASED && own.GetState() != workordersv1.WorkOrder_VOIDED, err
}

// putRight closes the finding that a released order was raised for. Who answered the finding or did the work of the order does not close
// it by releasing: then it stays for another person to close.
func (u unit) putRight(ctx context.Context, o *workordersv1.WorkOrder, worked []string) error {
	if !ofFinding(o) {
		return nil
	}
	f, err := store.Findings.Lock(ctx, u.Tx, o.GetOrigin().GetReference())
	if fault.HasReason(err, "NOT_FOUND") {
		return nil // an order from before findings were named by their origin
	}
	own := f.GetOwnOrder() == o.GetName() && f.GetState() == workordersv1.Finding_ANSWERED
	if err != nil || !own || f.GetAnswerer() == u.caller.Person || slices.Contains(worked, u.caller.Person) {
		return err
	}
	from, err := store.Orders.Get(ctx, u.Tx, orderOf(f.GetName()))
	if err != nil {
		return err
	}
	return u.shut(ctx, from, f, "put right by "+o.GetNumber()+", released")
}

// shut writes that a finding is closed, by the caller, and with it the deferral that it carries over: nothing of that is left to do.
func (u unit) shut(ctx context.Context, o *workordersv1.WorkOrder, f *workordersv1.Finding, note string) error {
	f.State, f.CloseTime, f.Closer, f.ClosingNote = workordersv1.Finding_CLOSED, timestamppb.New(u.now), u.caller.Person, note
	if err := store.Findings.Save(ctx, u.Tx, f, u.now); err != nil {
		return err
	}
	if err := u.tellFinding(ctx, "finding.closed", o, f); err != nil || f.GetPredecessor() == "" {
		return err
	}
	earlier, err := store.Findings.Lock(ctx, u.Tx, f.GetPredecessor())
	if err != nil || earlier.GetState() != workordersv1.Finding_ANSWERED || earlier.GetDisposition() != workordersv1.Finding_DEFER {
		return err
	}
	if _, under, err := u.ownOrder(ctx, earlier); err != nil || under {
		return err // it is closed by that order
	}
	from, err := store.Orders.Get(ctx, u.Tx, orderOf(earlier.GetName()))
	if err != nil {
		return err
	}
	return u.shut(ctx, from, earlier, "carried over to "+f.GetName()+", which was closed")
}
