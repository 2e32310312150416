package app

import (
	"context"

	"google.golang.org/protobuf/proto"

	workordersv1 "coldsection.example/proto/coldsection/workorders/v1"
	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/idempotency"
	"coldsection.example/services/platform/resource"
	"coldsection.example/services/platform/storage"
	"coldsection.example/services/workorders/internal/store"
)

// SupersedeLabourEntry corrects time worked by a new entry, or says that there was none; the old entry stays readable. No signature covers time, so
// that it is corrected in every state of its order, and the difference is told to whoever accounts for it. It stays the time of who worked, whoever
// corrects it.
func (a *App) SupersedeLabourEntry(ctx context.Context, req *workordersv1.SupersedeLabourEntryRequest) (*workordersv1.LabourEntry, error) {
	return idempotency.Execute(ctx, a.DB, a.Clock, req, func(ctx context.Context, tx *storage.Tx) (*workordersv1.LabourEntry, error) {
		return a.unit(ctx, tx).replaceLabour(ctx, req)
	})
}

func (u unit) replaceLabour(ctx context.Context, req *workordersv1.SupersedeLabourEntryRequest) (*workordersv1.LabourEntry, error) {
	o, err := store.Orders.Lock(ctx, u.Tx, orderOf(req.GetName()))
	if err != nil {
		return nil, err
	}
	old, err := store.Labour.Lock(ctx, u.Tx, req.GetName())
	if err != nil {
		return nil, err
	}
	if err := resource.CheckEtag(old, req.GetEtag()); err != nil {
		return nil, err
	}
	corrector, err := u.correctorOf(old)
	if err != nil {
		return nil, err
	}
	e, err := correctedLabour(old, req)
	if err != nil {
		return nil, err
	}
	e.Name, e.Person, e.Corrector = u.app.newName(o.GetName()+"/labourEntries", ""), old.GetPerson(), corrector
	old.Successor = e.GetName()
	if err := store.Labour.Save(ctx, u.Tx, old, u.now); err != nil {
		return nil, err
	}
	if e.GetWithdrawn() {
		e.WorkedSeconds = 0
	} else if err := u.fits(ctx, o, e); err != nil {
		return nil, err
	}
	if err := store.Labour.Insert(ctx, u.Tx, e, u.now); err != nil {
		return nil, err
	}
	return e, u.publish(ctx, "labour.superseded", o.GetName(), &workordersv1.LabourRecorded{
		WorkOrder: o.GetName(), LabourEntry: e, ChangedSeconds: e.GetWorkedSeconds() - old.GetWorkedSeconds(),
	})
}

// correctedLabour is time worked as a correction has it. Reasons: NOT_HEAD_OF_LINE, CORRECTION_UNCLEAR.
func correctedLabour(old *workordersv1.LabourEntry, req *workordersv1.SupersedeLabourEntryRequest) (*workordersv1.LabourEntry, error) {
	if err := headOfLine(old.GetName(), old.GetSuccessor()); err != nil {
		return nil, err
	}
	e := proto.CloneOf(req.GetLabourEntry())
	if err := oneCorrection(old.GetName(), e != nil, req.GetWithdrawn()); err != nil {
		return nil, err
	}
	if said := e.GetPerson(); said != "" && said != old.GetPerson() {
		return nil, ofAnother(said, old.GetPerson())
	}
	if e == nil {
		e = proto.CloneOf(old)
	}
	resource.ClearOutputOnly(e)
	e.Supersedes, e.Reason, e.Withdrawn, e.PaperEntry = old.GetName(), req.GetReason(), req.GetWithdrawn(), old.GetPaperEntry()
	return e, newlySaid(old.GetName(), e.GetStep() == old.GetStep() && sameSpan(e, old) && e.GetWithdrawn() == old.GetWithdrawn())
}

// correctorOf is who corrects an entry of somebody else, and nobody where it is one's own. Only planners and quality correct the time of others: who
// worked may have left. Reasons: PERSON_NEEDED, LABOUR_OF_ANOTHER.
func (u unit) correctorOf(old *workordersv1.LabourEntry) (string, error) {
	me, err := u.me()
	switch {
	case err != nil:
		return "", err
	case me == old.GetPerson():
		return "", nil
	case !u.caller.Has("planner") && !u.caller.Has("quality"):
		return "", ofAnother(me, old.GetPerson())
	default:
		return me, nil
	}
}

// ofAnother refuses to record the time of somebody else. Reason: LABOUR_OF_ANOTHER.
func ofAnother(me, worker string) error {
	return fault.Denied("LABOUR_OF_ANOTHER", "%s records the own time only, not that of %s. Have who worked record it, or a planner or quality correct what is recorded.", me, worker)
}
