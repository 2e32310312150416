package server_test

import (
	"context"
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	commonv1 "coldsection.example/proto/coldsection/common/v1"
	compliancev1 "coldsection.example/proto/coldsection/compliance/v1"
	workordersv1 "coldsection.example/proto/coldsection/workorders/v1"
	"coldsection.example/services/platform/storage"
)

// sha is the hash of a document, as an order's fact tells it.
var sha = strings.Repeat("ab", 32)

// fact has a work order's fact take effect.
func (w *world) fact(effect func(ctx context.Context, tx *storage.Tx) error) {
	w.t.Helper()
	if err := w.db.Update(w.t.Context(), effect); err != nil {
		w.t.Fatal(err)
	}
}

// released has a signed release of requirement wash on an engine take effect.
func (w *world) released(order, engine string) {
	w.t.Helper()
	w.fact(func(ctx context.Context, tx *storage.Tx) error {
		return w.restarted().Released(ctx, tx, &workordersv1.WorkOrderChanged{
			WorkOrder: order, Number: "WO-7", Engine: engine, CivilDate: day(w.clock.Now()), Requirements: []string{"requirements/wash"}, ContentHash: "release-hash",
			Counters:   &workordersv1.Counters{OperatingSeconds: 1000 * 3600},
			Signatures: []*commonv1.Signature{{Meaning: commonv1.Signature_PERFORMED, Person: "people/bo"}, {Meaning: commonv1.Signature_RELEASED, Person: "people/ada"}},
		})
	})
}

// attached has a document of an order become known.
func (w *world) attached(order string) {
	w.t.Helper()
	for range 2 { // a fact may come twice
		w.fact(func(ctx context.Context, tx *storage.Tx) error {
			return w.restarted().Attached(ctx, tx, &workordersv1.AttachmentAdded{WorkOrder: order, Attachment: &workordersv1.Attachment{
				Name: order + "/attachments/" + sha, MediaType: "image/png", Sha256: sha, ByteCount: 9, Person: "people/bo",
			}})
		})
	}
}

func (w *world) evidence(ctx context.Context, at, known time.Time) *compliancev1.FindEvidenceResponse {
	w.t.Helper()
	req := &compliancev1.FindEvidenceRequest{Name: "requirements/wash", Subject: "engines/one"}
	if !at.IsZero() {
		req.AsOfTime, req.KnownAtTime = timestamppb.New(at), timestamppb.New(known)
	}
	return must(w.queries.FindEvidence(ctx, req))(w.t)
}

func kinds(resp *compliancev1.FindEvidenceResponse) string {
	var all []string
	for _, e := range resp.GetEvidences() {
		word := e.GetKind().String()
		if e.GetLatest() {
			word += "!"
		}
		all = append(all, word)
	}
	return strings.Join(all, " ")
}

// The evidence of a requirement is the release with its signatures and the hash of what was signed, the documents of the order with their hashes, and
// signed entries of the past; what was not known at an instant is not shown as of then.
func TestTheEvidenceOfARequirementIsAsItWasKnown(t *testing.T) {
	onEngines(t, func(t *testing.T, w *world) {
		wash(w)
		entered := w.clock.Now()
		w.clock.Advance(24 * time.Hour)
		w.released("workOrders/7", "engines/one")
		released := w.clock.Now()
		w.clock.Advance(24 * time.Hour)
		w.attached("workOrders/7")
		w.clock.Advance(time.Hour)

		now := w.evidence(w.as("viewer"), time.Time{}, time.Time{})
		if kinds(now) != "RELEASE! HISTORICAL_ENTRY" || now.GetRequirementStatus().GetStanding() != compliancev1.RequirementStatus_RECURRING {
			t.Fatalf("%s, %v", kinds(now), now.GetRequirementStatus())
		}
		done := now.GetEvidences()[0].GetAccomplishment()
		if done.GetReleaseHash() != "release-hash" || len(done.GetSignatures()) != 2 || done.GetWorkOrder() != "workOrders/7" || done.GetContentHash() == "" {
			t.Errorf("%v", done)
		}
		if docs := now.GetEvidences()[0].GetDocuments(); len(docs) != 1 || docs[0].GetSha256() != sha {
			t.Errorf("%v", docs)
		}
		if past := now.GetEvidences()[1].GetAccomplishment(); past.GetCertifier() != "people/ada" || past.GetLateEntryReason() == "" {
			t.Errorf("%v", past)
		}
		if got := w.evidence(w.as("viewer"), released, released); kinds(got) != "RELEASE! HISTORICAL_ENTRY" || len(got.GetEvidences()[0].GetDocuments()) != 0 {
			t.Errorf("a document that came later: %v", got)
		}
		if got := w.evidence(w.as("viewer"), entered, w.clock.Now()); kinds(got) != "HISTORICAL_ENTRY!" {
			t.Errorf("before the release: %s", kinds(got))
		}
	})
}

// An entry that was taken back is evidence for what was known before, and none after; both answers stay as they are.
func TestEvidenceThatWasTakenBackStaysAsItWasKnown(t *testing.T) {
	onEngines(t, func(t *testing.T, w *world) {
		wash(w)
		at := w.clock.Now()
		before := w.evidence(w.as("viewer"), at, at)
		w.clock.Advance(time.Hour)
		wrong := before.GetEvidences()[0].GetAccomplishment()
		must(w.commands.CreateAccomplishment(w.as("quality"), &compliancev1.CreateAccomplishmentRequest{
			Parent: "requirements/wash", ReauthenticationToken: w.proof(), Accomplishment: &compliancev1.Accomplishment{
				Subject: "engines/one", DoneDate: wrong.GetDoneDate(), LateEntryReason: "it was another engine", Supersedes: wrong.GetName(), Void: true,
			},
		}))(t)
		if again := w.evidence(w.as("viewer"), at, at); !proto.Equal(before, again) {
			t.Errorf("was %v\nis %v", before, again)
		}
		if got := w.evidence(w.as("viewer"), at, w.clock.Now()); len(got.GetEvidences()) != 0 {
			t.Errorf("%v", got)
		}
	})
}

// A terminating action is the evidence that a requirement is over.
func TestATerminatingActionIsEvidence(t *testing.T) {
	onEngines(t, func(t *testing.T, w *world) {
		wash(w)
		w.inspect("replace", func(r *compliancev1.Requirement) {
			r.Terminates, r.Repeat, r.Initial = "requirements/wash", nil, limit(compliancev1.IntervalLimit_HOURS, 5000*3600)
		})
		w.done("replace", 950, on(2026, 2, 10))
		if got := w.evidence(w.as("viewer"), time.Time{}, time.Time{}); kinds(got) != "TERMINATING_ACTION! HISTORICAL_ENTRY" {
			t.Errorf("%s", kinds(got))
		}
	})
}

// The evidence of another owner's engine is refused as that of an engine that does not exist; a requirement that is not known is missing.
func TestEvidenceIsTheOwners(t *testing.T) {
	onEngines(t, func(t *testing.T, w *world) {
		wash(w)
		w.lent()
		if got := w.evidence(w.guest("south"), time.Time{}, time.Time{}); kinds(got) != "HISTORICAL_ENTRY!" {
			t.Errorf("%v", got)
		}
		for _, ask := range []*compliancev1.FindEvidenceRequest{
			{Name: "requirements/wash", Subject: "engines/one"}, {Name: "requirements/wash", Subject: "engines/one", AsOfTime: timestamppb.New(w.clock.Now())},
		} {
			_, err := w.queries.FindEvidence(w.guest("north"), ask)
			refused(t, err, "NOT_FOUND")
		}
		_, err := w.queries.FindEvidence(w.as("viewer"), &compliancev1.FindEvidenceRequest{Name: "requirements/none", Subject: "engines/one"})
		refused(t, err, "NOT_FOUND")
		_, err = w.queries.FindEvidence(w.as("viewer"), &compliancev1.FindEvidenceRequest{
			Name: "requirements/wash", Subject: "engines/one", AsOfTime: timestamppb.New(w.clock.Now().Add(time.Hour)),
		})
		refused(t, err, "TIME_IN_FUTURE")
	})
}
