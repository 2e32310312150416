package app

import (
	"context"
	"fmt"
	"strings"

	compliancev1 "coldsection.example/proto/coldsection/compliance/v1"
	workordersv1 "coldsection.example/proto/coldsection/workorders/v1"
	"coldsection.example/services/compliance/internal/civil"
	"coldsection.example/services/compliance/internal/store"
	"coldsection.example/services/platform/auth"
	"coldsection.example/services/platform/eventbus"
	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/idempotency"
	"coldsection.example/services/platform/recordchain"
	"coldsection.example/services/platform/resource"
	"coldsection.example/services/platform/storage"
)

// CreateAccomplishment records work from before the suite was in use, or corrects a record; it is signed with a fresh proof, and
// with a second person's when the work lies more than 24 months back.
func (a *App) CreateAccomplishment(ctx context.Context, req *compliancev1.CreateAccomplishmentRequest) (*compliancev1.Accomplishment, error) {
	p := a.proofs(ctx, req)
	return idempotency.Execute(ctx, a.DB, a.Clock, req, func(ctx context.Context, tx *storage.Tx) (*compliancev1.Accomplishment, error) {
		u := a.unit(ctx, tx)
		if p.ownErr != nil {
			return nil, p.ownErr
		}
		if err := auth.UseProof(ctx, tx, p.own, u.now); err != nil {
			return nil, err
		}
		entry := req.GetAccomplishment()
		resource.ClearOutputOnly(entry)
		if err := u.mayEnter(ctx, entry, p); err != nil {
			return nil, err
		}
		entry.Certifier, entry.WorkOrder = u.caller.Person, ""
		return u.accomplish(ctx, req.GetParent(), req.GetAccomplishmentId(), entry)
	})
}

// proofs are who stands for an entry, and what was wrong with the proofs.
type proofs struct {
	own, second       auth.Reauth
	ownErr, secondErr error
}

// proofs verifies what a request brings to stand for an entry.
func (a *App) proofs(ctx context.Context, req interface {
	GetReauthenticationToken() string
	GetSecondReauthenticationToken() string
},
) (p proofs) {
	p.own, p.ownErr = a.Keys.VerifyReauth(ctx, req.GetReauthenticationToken(), a.Clock.Now())
	p.second, p.secondErr = a.Keys.VerifySecond(ctx, req.GetSecondReauthenticationToken(), a.Clock.Now())
	return p
}

// secondPersonAfter is how many months back work may lie that one person alone may enter: as long as the shop itself must have its
// papers at the least (14 CFR 145.219, 24 months).
const secondPersonAfter = 24

func (u unit) mayEnter(ctx context.Context, entry *compliancev1.Accomplishment, p proofs) error {
	longAgo, err := u.checkEntry(entry)
	if err != nil || !longAgo {
		return err
	}
	if entry.SecondPerson, err = u.secondPerson(ctx, p); err != nil {
		return longAgoNeeds(entry, err)
	}
	return auth.UseProof(ctx, u.Tx, p.second, u.now)
}

// checkEntry refuses what is no entry of the past, and reports whether the work lies so long back that two persons stand for it.
func (u unit) checkEntry(entry *compliancev1.Accomplishment) (longAgo bool, err error) {
	day, err := realDate("accomplishment.done_date", entry.GetDoneDate())
	if err != nil {
		return false, err
	}
	if err := u.notFuture("accomplishment.done_date", day); err != nil {
		return false, err
	}
	switch {
	case entry.GetLateEntryReason() == "":
		return false, fault.Invalid("accomplishment.late_entry_reason", "LATE_ENTRY_REASON_MISSING", "An entry of the past says why it is entered late. Add the reason.")
	case entry.GetCounters() == nil && !entry.GetVoid():
		return false, fault.Invalid("accomplishment.counters", "COUNTERS_MISSING", "An entry of the past names the counters of that day. Add them from the record.")
	case entry.GetVoid() && entry.GetSupersedes() == "":
		return false, fault.Invalid("accomplishment.supersedes", "CORRECTION_ELSEWHERE", "An entry that takes another back names it. Add the entry that is wrong.")
	}
	return day.AddMonths(secondPersonAfter).Before(civil.Of(u.now)), nil
}

// secondPerson is the other person who stands for work of long ago. Reason: SECOND_PERSON_NEEDED.
func (u unit) secondPerson(ctx context.Context, p proofs) (string, error) {
	if p.secondErr != nil {
		return "", p.secondErr
	}
	_, err := store.People.Get(ctx, u.Tx, p.second.Person)
	return p.second.Person, err
}

// longAgoNeeds says why a second person is needed, which only the entry's date tells.
func longAgoNeeds(entry *compliancev1.Accomplishment, err error) error {
	if !fault.HasReason(err, "SECOND_PERSON_NEEDED") {
		return err
	}
	return fault.Denied("SECOND_PERSON_NEEDED",
		"The work of %s lies more than %d months back, so a second person must stand for the entry, with a fresh proof of their own, used once and within "+
			"two minutes. Have that person enter their password.",
		dateOf(entry.GetDoneDate()), secondPersonAfter).Because(err)
}

// accomplish records that a requirement was done and moves its due item.
func (u unit) accomplish(ctx context.Context, requirement, id string, entry *compliancev1.Accomplishment) (*compliancev1.Accomplishment, error) {
	if _, err := store.Requirements.Get(ctx, u.Tx, requirement); err != nil {
		return nil, err
	}
	if _, err := u.read(ctx, entry.GetSubject()); err != nil {
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
		{Name: "second_person", Value: entry.GetSecondPerson()}, {Name: "void", Value: fmt.Sprint(entry.GetVoid())},
	}
	if entry.GetReleaseHash() != "" {
		fields = append(fields, recordchain.Field{Name: "release", Value: entry.GetReleaseHash()})
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
	return entry, u.recompute(ctx, entry.GetSubject(), requirement, entry.GetName())
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
		return fault.Invalid("accomplishment.supersedes", "CORRECTION_ELSEWHERE", "%s is of another requirement or subject. Name the entry that is wrong.", old.GetName())
	}
	old.Successor = entry.GetName()
	return store.Accomplishments.Save(ctx, u.Tx, old, u.now)
}

// Released records what a released order accomplished, once per order and requirement, and that the owner's record has to have it.
func (a *App) Released(ctx context.Context, tx *storage.Tx, fact *workordersv1.WorkOrderChanged) error {
	u := a.unit(ctx, tx)
	if err := u.keepRelease(ctx, fact); err != nil {
		return err
	}
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
		entry.Signatures, entry.ReleaseHash = fact.GetSignatures(), fact.GetContentHash()
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
