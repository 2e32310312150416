package app

import (
	"context"
	"fmt"
	"strings"
	"time"

	compliancev1 "coldsection.example/proto/coldsection/compliance/v1"
	workordersv1 "coldsection.example/proto/coldsection/workorders/v1"
	"coldsection.example/services/compliance/internal/civil"
	"coldsection.example/services/compliance/internal/due"
	"coldsection.example/services/compliance/internal/store"
	"coldsection.example/services/platform/auth"
	"coldsection.example/services/platform/eventbus"
	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/idempotency"
	"coldsection.example/services/platform/recordchain"
	"coldsection.example/services/platform/resource"
	"coldsection.example/services/platform/storage"
)

func (u unit) zone(name string) (*time.Location, error) {
	zone, err := time.LoadLocation(name)
	if err != nil {
		return nil, fault.Invalid("time_zone", "TIME_ZONE_UNKNOWN", "%q is not an IANA time zone, such as Europe/Oslo.", name)
	}
	return zone, nil
}

// CreateRequirement adds a requirement and works it out on every engine that it applies to.
func (a *App) CreateRequirement(ctx context.Context, req *compliancev1.CreateRequirementRequest) (*compliancev1.Requirement, error) {
	return idempotency.Execute(ctx, a.DB, a.Clock, req, func(ctx context.Context, tx *storage.Tx) (*compliancev1.Requirement, error) {
		r := req.GetRequirement()
		resource.ClearOutputOnly(r)
		if err := checkRequirement(r); err != nil {
			return nil, err
		}
		r.Name, r.Revision = a.newName("requirements", req.GetRequirementId()), 1
		u := a.unit(ctx, tx)
		if err := u.checkLinks(ctx, r); err != nil {
			return nil, err
		}
		if err := store.Requirements.Insert(ctx, tx, r, u.now); err != nil {
			return nil, err
		}
		return r, u.adopt(ctx, r)
	})
}

// UpdateRequirement makes the next revision.
func (a *App) UpdateRequirement(ctx context.Context, req *compliancev1.UpdateRequirementRequest) (*compliancev1.Requirement, error) {
	return idempotency.Execute(ctx, a.DB, a.Clock, req, func(ctx context.Context, tx *storage.Tx) (*compliancev1.Requirement, error) {
		u := a.unit(ctx, tx)
		r, err := store.Requirements.Lock(ctx, tx, req.GetRequirement().GetName())
		if err != nil {
			return nil, err
		}
		if err := resource.CheckEtag(r, req.GetRequirement().GetEtag()); err != nil {
			return nil, err
		}
		if err := resource.Apply(r, req.GetRequirement(), req.GetUpdateMask()); err != nil {
			return nil, err
		}
		if err := checkRequirement(r); err != nil {
			return nil, err
		}
		if err := u.checkLinks(ctx, r); err != nil {
			return nil, err
		}
		r.Revision++
		if err := store.Requirements.Save(ctx, tx, r, u.now); err != nil {
			return nil, err
		}
		return r, u.adopt(ctx, r)
	})
}

// checkLinks refuses a requirement that would end itself, and a terminated one that is not known or would end this one in turn.
func (u unit) checkLinks(ctx context.Context, r *compliancev1.Requirement) error {
	if r.GetSuccessor() == r.GetName() {
		return fault.Invalid("requirement.successor", "LINK_INVALID", "%s can't take its own place. Name another requirement.", r.GetCode())
	}
	if r.GetTerminates() == "" {
		return nil
	}
	ended, err := store.Requirements.Get(ctx, u.Tx, r.GetTerminates())
	if r.GetTerminates() != r.GetName() && err != nil {
		return err
	}
	if r.GetTerminates() == r.GetName() || ended.GetTerminates() == r.GetName() {
		return fault.Invalid("requirement.terminates", "LINK_INVALID", "%s would end itself through %s. Name another requirement.", r.GetCode(), r.GetTerminates())
	}
	return nil
}

func (u unit) adopt(ctx context.Context, r *compliancev1.Requirement) error {
	engines, err := store.Engines.Where(ctx, u.Tx, "name >= '' ORDER BY name")
	if err != nil {
		return err
	}
	for _, e := range engines {
		if err := u.recompute(ctx, e.GetName(), r.GetName(), ""); err != nil {
			return err
		}
		if r.GetTerminates() == "" {
			continue
		}
		if err := u.recompute(ctx, e.GetName(), r.GetTerminates(), ""); err != nil {
			return err
		}
	}
	return u.publish(ctx, "coldsection.compliance.requirement.adopted.v1", r.GetName(),
		&compliancev1.RequirementAdopted{Requirement: r.GetName(), Code: r.GetCode(), Revision: r.GetRevision()})
}

func checkRequirement(r *compliancev1.Requirement) error {
	strict := r.GetKind() == compliancev1.Requirement_DIRECTIVE || r.GetKind() == compliancev1.Requirement_LIFE_LIMIT
	if strict && r.GetTolerance() != nil {
		return fault.Invalid("requirement.tolerance", "TOLERANCE_NOT_ALLOWED", "A %s never has a tolerance. Remove it.", r.GetKind())
	}
	if treeOf(r.GetInitial()).Empty() && treeOf(r.GetRepeat()).Empty() {
		return fault.Invalid("requirement.repeat", "LIMIT_INVALID", "%s has no limit, so it would never be due. Give initial or repeat limits.", r.GetCode())
	}
	for _, tree := range []*compliancev1.LimitTree{r.GetInitial(), r.GetRepeat()} {
		if err := checkTree(tree, 0); err != nil {
			return err
		}
	}
	return nil
}

func checkTree(t *compliancev1.LimitTree, depth int) error {
	if depth > 4 {
		return fault.Invalid("requirement.repeat", "LIMIT_INVALID", "Limits are nested more than four deep. Flatten them.")
	}
	for _, l := range t.GetLimits() {
		if l.GetUnit() == compliancev1.IntervalLimit_FIXED_DATE {
			if _, err := realDate("fixed_date", l.GetFixedDate()); err != nil {
				return err
			}
		} else if l.GetAmount() <= 0 {
			return fault.Invalid("requirement.repeat", "LIMIT_INVALID", "A limit of %d %s is never reached or always. Give more than zero.", l.GetAmount(), due.Unit(l.GetUnit()).Driver())
		}
	}
	for _, sub := range t.GetTrees() {
		if err := checkTree(sub, depth+1); err != nil {
			return err
		}
	}
	return nil
}

// CreateAccomplishment records work from before the suite was in use; it is signed with a fresh proof.
func (a *App) CreateAccomplishment(ctx context.Context, req *compliancev1.CreateAccomplishmentRequest) (*compliancev1.Accomplishment, error) {
	proof, proofErr := a.Keys.VerifyReauth(ctx, req.GetReauthenticationToken(), a.Clock.Now())
	return idempotency.Execute(ctx, a.DB, a.Clock, req, func(ctx context.Context, tx *storage.Tx) (*compliancev1.Accomplishment, error) {
		if proofErr != nil {
			return nil, proofErr
		}
		u := a.unit(ctx, tx)
		if err := auth.UseProof(ctx, tx, proof, u.now); err != nil {
			return nil, err
		}
		entry := req.GetAccomplishment()
		resource.ClearOutputOnly(entry)
		day, err := realDate("accomplishment.done_date", entry.GetDoneDate())
		if err != nil {
			return nil, err
		}
		if err := u.notFuture("accomplishment.done_date", day); err != nil {
			return nil, err
		}
		if entry.GetLateEntryReason() == "" {
			return nil, fault.Invalid("accomplishment.late_entry_reason", "LATE_ENTRY_REASON_MISSING", "An entry of the past says why it is entered late. Add the reason.")
		}
		if entry.GetCounters() == nil {
			return nil, fault.Invalid("accomplishment.counters", "COUNTERS_MISSING", "An entry of the past names the counters of that day. Add them from the record.")
		}
		entry.Certifier, entry.WorkOrder = u.caller.Person, ""
		return u.accomplish(ctx, req.GetParent(), req.GetAccomplishmentId(), entry)
	})
}

// accomplish records that a requirement was done and moves its due item.
func (u unit) accomplish(ctx context.Context, requirement, id string, entry *compliancev1.Accomplishment) (*compliancev1.Accomplishment, error) {
	r, err := store.Requirements.Get(ctx, u.Tx, requirement)
	if err != nil {
		return nil, err
	}
	if _, err := store.Engines.Get(ctx, u.Tx, entry.GetSubject()); err != nil {
		return nil, err
	}
	entry.Name = u.app.newName(requirement+"/accomplishments", id)
	if err := u.correctRecord(ctx, requirement, entry); err != nil {
		return nil, err
	}
	fields := []recordchain.Field{
		{Name: "requirement", Value: requirement}, {Name: "subject", Value: entry.GetSubject()}, {Name: "done", Value: dateOf(entry.GetDoneDate()).String()},
		{Name: "seconds", Value: fmt.Sprint(entry.GetCounters().GetOperatingSeconds())}, {Name: "cycles", Value: fmt.Sprint(entry.GetCounters().GetCycles())},
		{Name: "work_order", Value: entry.GetWorkOrder()}, {Name: "document", Value: entry.GetDocumentReference()}, {Name: "certifier", Value: entry.GetCertifier()},
		{Name: "supersedes", Value: entry.GetSupersedes()}, {Name: "reason", Value: entry.GetLateEntryReason()},
	}
	entry.ContentHash = recordchain.Hash(fields)
	if err := store.Accomplishments.Insert(ctx, u.Tx, entry, u.now); err != nil {
		return nil, err
	}
	if _, _, err := recordchain.Append(ctx, u.Tx, recordchain.Entry{
		Stream: "accomplishments", Kind: "accomplished", Subject: entry.GetName(), At: u.now, Actor: u.caller.Account, Fields: fields,
	}); err != nil {
		return nil, err
	}
	if err := u.recompute(ctx, entry.GetSubject(), requirement, entry.GetName()); err != nil || r.GetTerminates() == "" {
		return entry, err
	}
	return entry, u.recompute(ctx, entry.GetSubject(), r.GetTerminates(), entry.GetName())
}

// correctRecord ties an entry to the one that it corrects. Corrections form a line, not a tree; what was signed stays.
func (u unit) correctRecord(ctx context.Context, requirement string, entry *compliancev1.Accomplishment) error {
	if entry.GetSupersedes() == "" {
		return nil
	}
	old, err := store.Accomplishments.Lock(ctx, u.Tx, entry.GetSupersedes())
	switch {
	case err != nil:
		return err
	case old.GetSuccessor() != "":
		return fault.Precondition("ALREADY_CORRECTED", "%s was corrected by %s. Correct that one.", old.GetName(), old.GetSuccessor()).With("successor", old.GetSuccessor())
	case old.GetSubject() != entry.GetSubject() || !strings.HasPrefix(old.GetName(), requirement+"/"):
		return fault.Invalid("accomplishment.supersedes", "CORRECTION_ELSEWHERE", "%s is of another requirement or engine. Name the entry that is wrong.", old.GetName())
	}
	old.Successor = entry.GetName()
	return store.Accomplishments.Save(ctx, u.Tx, old, u.now)
}

// Released records what a released order accomplished, once per order and requirement.
func (a *App) Released(ctx context.Context, tx *storage.Tx, fact *workordersv1.WorkOrderChanged) error {
	u := a.unit(ctx, tx)
	for _, requirement := range fact.GetRequirements() {
		known, err := store.Accomplishments.Where(ctx, tx, "work_order = $1 AND name >= $2 AND name < $3", fact.GetWorkOrder(), requirement+"/", requirement+"0")
		if err != nil {
			return err
		}
		if len(known) > 0 {
			continue
		}
		entry := &compliancev1.Accomplishment{
			Subject: fact.GetEngine(), DoneDate: fact.GetCivilDate(), WorkOrder: fact.GetWorkOrder(), Method: "Released work order " + fact.GetNumber(),
			Counters: &compliancev1.Counters{
				OperatingSeconds: fact.GetCounters().GetOperatingSeconds(), Cycles: fact.GetCounters().GetCycles(), Starts: fact.GetCounters().GetStarts(),
			},
		}
		for _, s := range fact.GetSignatures() {
			entry.Certifier = s.GetPerson()
		}
		_, err = u.accomplish(ctx, requirement, "", entry)
		if fault.HasReason(err, "NOT_FOUND") {
			return eventbus.NotYet("%s or %s is not known here", requirement, fact.GetEngine())
		}
		if err != nil {
			return err
		}
	}
	return nil
}

// status of a tool today.
func toolState(t *compliancev1.Tool, today civil.Date) compliancev1.Tool_State {
	end := dateOf(t.GetCalibrationDueDate())
	switch {
	case t.GetWithdrawReason() != "":
		return compliancev1.Tool_WITHDRAWN
	case t.GetCalibrationExempt():
		return compliancev1.Tool_IN_CAL
	case end.IsZero() || end.Before(today):
		return compliancev1.Tool_LAPSED
	case end.Sub(today) < 30:
		return compliancev1.Tool_LAPSING
	default:
		return compliancev1.Tool_IN_CAL
	}
}
