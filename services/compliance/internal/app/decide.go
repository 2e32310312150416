package app

import (
	"context"
	"fmt"
	"strings"

	"google.golang.org/protobuf/types/known/timestamppb"

	compliancev1 "coldsection.example/proto/coldsection/compliance/v1"
	"coldsection.example/services/compliance/internal/apply"
	"coldsection.example/services/compliance/internal/store"
	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/idempotency"
	"coldsection.example/services/platform/recordchain"
	"coldsection.example/services/platform/resource"
	"coldsection.example/services/platform/storage"
)

// DecideApplicability records that a person decided whether this revision of a requirement applies to a subject.
func (a *App) DecideApplicability(ctx context.Context, req *compliancev1.DecideApplicabilityRequest) (*compliancev1.Requirement, error) {
	return idempotency.Execute(ctx, a.DB, a.Clock, req, func(ctx context.Context, tx *storage.Tx) (*compliancev1.Requirement, error) {
		u := a.unit(ctx, tx)
		r, err := store.Requirements.Lock(ctx, tx, req.GetName())
		if err != nil {
			return nil, err
		}
		if err := resource.CheckEtag(r, req.GetEtag()); err != nil {
			return nil, err
		}
		if strings.TrimSpace(req.GetReason()) == "" {
			return nil, fault.Invalid("reason", "REASON_MISSING", "Whether %s applies is decided with a reason. Add it.", r.GetCode())
		}
		subject, err := u.read(ctx, req.GetEngine())
		if err != nil {
			return nil, err
		}
		d := &compliancev1.ApplicabilityDecision{
			Applicable: req.GetApplicable(), Reason: req.GetReason(), Person: u.caller.Person, DecideTime: timestamppb.New(u.now), Revision: r.GetRevision(),
		}
		if err := store.AddDecision(ctx, tx, r.GetName(), subject.GetName(), d, u.now); err != nil {
			return nil, err
		}
		if _, _, err := recordchain.Append(ctx, tx, recordchain.Entry{
			Stream: "applicability", Kind: "decided", Subject: r.GetName(), At: u.now, Actor: u.caller.Account, Fields: []recordchain.Field{
				{Name: "engine", Value: subject.GetName()}, {Name: "revision", Value: fmt.Sprint(d.GetRevision())}, {Name: "applicable", Value: fmt.Sprint(d.GetApplicable())},
				{Name: "reason", Value: d.GetReason()}, {Name: "person", Value: d.GetPerson()},
			},
		}); err != nil {
			return nil, err
		}
		return r, u.recompute(ctx, subject.GetName(), r.GetName(), "")
	})
}

// verdict is whether a requirement applies to a subject, why, and the decision by hand, if there is one.
type verdict struct {
	answer   apply.Answer
	why      string
	decision *compliancev1.ApplicabilityDecision
}

// applies is what a person decided for this revision, else what the conditions say. A decision on an earlier revision is not carried
// over: somebody must decide again.
func applies(r *compliancev1.Requirement, s seen) (v verdict) {
	v.answer, v.why = applicable(r, s)
	if v.decision = s.records.decisions[r.GetName()]; v.decision == nil {
		return v
	}
	switch d := v.decision; {
	case s.past && s.at.Before(d.GetDecideTime().AsTime()):
		v.decision = nil
	case d.GetRevision() != r.GetRevision():
		v.answer, v.why = apply.Unknown, fmt.Sprintf("It was decided for revision %d, and this is revision %d; decide again", d.GetRevision(), r.GetRevision())
	case d.GetApplicable():
		v.answer, v.why = apply.Yes, "Decided by "+d.GetPerson()+": "+d.GetReason()
	default:
		v.answer, v.why = apply.No, "Decided by "+d.GetPerson()+": "+d.GetReason()
	}
	return v
}
