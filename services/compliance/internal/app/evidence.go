package app

import (
	"cmp"
	"context"
	"slices"

	"google.golang.org/protobuf/types/known/timestamppb"

	compliancev1 "coldsection.example/proto/coldsection/compliance/v1"
	workordersv1 "coldsection.example/proto/coldsection/workorders/v1"
	"coldsection.example/services/compliance/internal/store"
	"coldsection.example/services/platform/clock"
	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/storage"
)

// Attached keeps a document of a work order, once.
func (a *App) Attached(ctx context.Context, tx *storage.Tx, fact *workordersv1.AttachmentAdded) error {
	t := fact.GetAttachment()
	return store.AddDocument(ctx, tx, fact.GetWorkOrder(), &compliancev1.EvidenceDocument{
		Attachment: t.GetName(), MediaType: t.GetMediaType(), Sha256: t.GetSha256(), ByteCount: t.GetByteCount(), Person: t.GetPerson(),
	}, clock.Now(ctx, a.Clock))
}

// FindEvidence finds what proves that a requirement was done on a subject at one time, as far as it was known at another. Reasons: TIME_IN_FUTURE,
// NOT_KNOWN_THEN.
func (a *App) FindEvidence(ctx context.Context, req *compliancev1.FindEvidenceRequest) (resp *compliancev1.FindEvidenceResponse, err error) {
	err = a.DB.View(ctx, func(ctx context.Context, tx *storage.Tx) error {
		u := a.unit(ctx, tx)
		t, then, err := u.timesOf(req.GetAsOfTime(), req.GetKnownAtTime())
		if err != nil {
			return err
		}
		s, err := u.seeAt(ctx, req.GetSubject(), t, then)
		if err != nil {
			return err
		}
		resp = &compliancev1.FindEvidenceResponse{AsOfTime: timestamppb.New(t.at), KnownAtTime: timestamppb.New(t.known)}
		return u.prove(ctx, resp, s, req.GetName())
	})
	return resp, err
}

// seeAt is a subject at an instant as it was known, or as it is.
func (u unit) seeAt(ctx context.Context, subject string, t times, then bool) (seen, error) {
	if !then {
		return u.seeNow(ctx)(subject)
	}
	rules, err := u.required(ctx, t.known)
	if err != nil {
		return seen{}, err
	}
	return u.seeThen(ctx, subject, t, rules)
}

// prove puts where a requirement stands and what proves it into an answer.
func (u unit) prove(ctx context.Context, resp *compliancev1.FindEvidenceResponse, s seen, requirement string) error {
	r := s.requirement(requirement)
	if r == nil {
		return fault.Missing(requirement)
	}
	w, err := u.weigh(ctx, s, r)
	if err != nil {
		return err
	}
	if resp.RequirementStatus, err = u.statusOf(ctx, r, s, w, w.tell(s)); err != nil {
		return err
	}
	done := s.records.done[requirement]
	proofs := make([]proof, 0, len(done)+1)
	if ended := endedBy(requirement, s); ended != nil {
		proofs = append(proofs, proof{ended, compliancev1.Evidence_TERMINATING_ACTION})
	}
	for _, a := range slices.Backward(done) {
		proofs = append(proofs, proof{a, compliancev1.Evidence_KIND_UNSPECIFIED})
	}
	for i, p := range proofs {
		one, err := u.evidence(ctx, s, p)
		if err != nil {
			return err
		}
		one.Latest = i == 0
		resp.Evidences = append(resp.Evidences, one)
	}
	return nil
}

// proof is a record and what it is of a requirement.
type proof struct {
	record *store.Record
	kind   compliancev1.Evidence_Kind // unset: what the record itself is
}

// kindOfRecord tells a release from an entry of the past.
func kindOfRecord(a *compliancev1.Accomplishment) compliancev1.Evidence_Kind {
	if a.GetWorkOrder() != "" {
		return compliancev1.Evidence_RELEASE
	}
	return compliancev1.Evidence_HISTORICAL_ENTRY
}

// evidence is a record as it was known, with the documents of its order. A record that counts had no correction by then, so it names none.
func (u unit) evidence(ctx context.Context, s seen, p proof) (*compliancev1.Evidence, error) {
	record, err := store.WholeOf(ctx, u.Tx, p.record)
	if err != nil {
		return nil, err
	}
	one := &compliancev1.Evidence{Kind: cmp.Or(p.kind, kindOfRecord(record)), Accomplishment: record}
	one.Accomplishment.Successor = ""
	if record.GetWorkOrder() == "" {
		return one, nil
	}
	one.Documents, err = store.DocumentsKnown(ctx, u.Tx, record.GetWorkOrder(), s.known)
	return one, err
}
