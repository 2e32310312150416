package postings

import (
	"context"

	"google.golang.org/protobuf/types/known/timestamppb"

	accessv1 "coldsection.example/proto/coldsection/access/v1"
	"coldsection.example/services/platform/auth"
	"coldsection.example/services/platform/facts"
	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/outbox"
	"coldsection.example/services/platform/resource"
	"coldsection.example/services/platform/storage"
)

// Acknowledge keeps what the accounting system says of a posting that the reader may see. The same again changes nothing. Reasons: NOT_FOUND,
// ETAG_MISMATCH, POSTING_OUTCOME_MISSING, POSTING_ACKNOWLEDGED.
func (s *Store) Acknowledge(ctx context.Context, tx *storage.Tx, reader facts.Reader, req *accessv1.AcknowledgePostingRequest) (*accessv1.Posting, error) {
	p, err := Table.Lock(ctx, tx, req.GetName())
	if err == nil && !reader.May(p.GetEventType()) {
		err = fault.Missing(req.GetName())
	}
	if err != nil {
		return nil, err
	}
	if err := resource.CheckEtag(p, req.GetEtag()); err != nil {
		return nil, err
	}
	said, err := outcomeOf(req)
	if err != nil {
		return nil, err
	}
	if n := len(p.GetAcknowledgements()); n > 0 {
		last := p.GetAcknowledgements()[n-1]
		if same(last, said) {
			return p, nil
		}
		if req.GetCorrectionReason() == "" {
			return nil, fault.Precondition("POSTING_ACKNOWLEDGED",
				"%s is %s already%s. Say the same, or give correction_reason to correct it.", p.GetName(), last.GetState(), shown(last)).
				With("posting", p.GetName()).With("state", last.GetState().String())
		}
		said.CorrectionReason = req.GetCorrectionReason()
	}
	id, _ := auth.FromContext(ctx)
	now := s.Clock.Now()
	said.Account, said.AcknowledgeTime = id.Account, timestamppb.New(now)
	p.Acknowledgements, p.State = append(p.Acknowledgements, said), said.GetState()
	if err := Table.Save(ctx, tx, p, now); err != nil {
		return nil, err
	}
	return p, outbox.Append(ctx, tx, outbox.New(s.IDs.New(), now, "gateway", factOf(said), p.GetName(), &accessv1.PostingAcknowledged{
		Posting: p.GetName(), EventType: p.GetEventType(), EventSubject: p.GetSubject(), Acknowledgement: said,
	}))
}

// outcomeOf reads what a request says.
func outcomeOf(req *accessv1.AcknowledgePostingRequest) (*accessv1.Posting_Acknowledgement, error) {
	if (req.GetDocument() == "") == (req.GetRejectReason() == "") {
		return nil, fault.Invalid("document", "POSTING_OUTCOME_MISSING",
			"%s is either booked or rejected. Give document, the number it was booked as, or reject_reason.", req.GetName())
	}
	state := accessv1.Posting_POSTED
	if req.GetDocument() == "" {
		state = accessv1.Posting_REJECTED
	}
	return &accessv1.Posting_Acknowledgement{State: state, Document: req.GetDocument(), RejectReason: req.GetRejectReason()}, nil
}

func same(a, b *accessv1.Posting_Acknowledgement) bool {
	return a.GetState() == b.GetState() && a.GetDocument() == b.GetDocument() && a.GetRejectReason() == b.GetRejectReason()
}

func shown(a *accessv1.Posting_Acknowledgement) string {
	if a.GetState() == accessv1.Posting_POSTED {
		return " as " + a.GetDocument()
	}
	return " because: " + a.GetRejectReason()
}

func factOf(a *accessv1.Posting_Acknowledgement) string {
	if a.GetState() == accessv1.Posting_REJECTED {
		return "coldsection.access.posting.rejected.v1"
	}
	return "coldsection.access.posting.acknowledged.v1"
}
