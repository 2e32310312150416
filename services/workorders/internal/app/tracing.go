package app

import (
	"cmp"
	"context"
	"fmt"
	"strings"

	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	commonv1 "coldsection.example/proto/coldsection/common/v1"
	workordersv1 "coldsection.example/proto/coldsection/workorders/v1"
	"coldsection.example/services/platform/outbox"
	"coldsection.example/services/platform/resource"
	"coldsection.example/services/platform/storage"
	"coldsection.example/services/workorders/internal/store"
)

const (
	someEntries = 200
	mostEntries = 1000
)

// TraceWorkOrder tells who did what and when. It is read from the facts that left in the transactions that made them true, so
// that nothing happens to an order without its entry.
func (a *App) TraceWorkOrder(ctx context.Context, req *workordersv1.TraceWorkOrderRequest) (*workordersv1.TraceWorkOrderResponse, error) {
	most := int(req.GetMaxEntries())
	if most == 0 {
		most = someEntries
	}
	resp := &workordersv1.TraceWorkOrderResponse{}
	err := a.DB.View(ctx, func(ctx context.Context, tx *storage.Tx) error {
		if _, err := store.Orders.Get(ctx, tx, req.GetName()); err != nil {
			return err
		}
		facts, err := outbox.About(ctx, tx, source, req.GetName(), req.GetLastPosition(), min(most, mostEntries))
		if err != nil {
			return err
		}
		for _, e := range facts {
			entry, err := entryOf(e)
			if err != nil {
				return err
			}
			resp.Entries = append(resp.Entries, entry)
		}
		return nil
	})
	return resp, err
}

// history is all that happened to an order, page by page.
func (u unit) history(ctx context.Context, order string) (all []*workordersv1.HistoryEntry, err error) {
	for last := int64(0); ; {
		facts, err := outbox.About(ctx, u.Tx, source, order, last, mostEntries)
		if err != nil {
			return nil, err
		}
		for _, e := range facts {
			entry, err := entryOf(e)
			if err != nil {
				return nil, err
			}
			all, last = append(all, entry), e.Version
		}
		if len(facts) < mostEntries {
			return all, nil
		}
	}
}

// entryOf makes an entry of a fact.
func entryOf(e outbox.Event) (*workordersv1.HistoryEntry, error) {
	fact := strings.TrimSuffix(strings.TrimPrefix(e.Type, "coldsection.workorder."), ".v1")
	entry := &workordersv1.HistoryEntry{Position: e.Version, EventTime: timestamppb.New(e.Time), Account: e.Actor, Fact: fact, Subject: e.Subject}
	payload := payloadOf(fact)
	if err := (protojson.UnmarshalOptions{DiscardUnknown: true}).Unmarshal(e.Data, payload); err != nil {
		return nil, fmt.Errorf("fact %s: %w", e.ID, err)
	}
	switch p := payload.(type) {
	case *workordersv1.StepCompleted:
		entry.Subject, entry.Person, entry.Text = p.GetStep(), p.GetPerson(), "Step done"+suffix(p.GetPaperEntry(), "from the sheet")+materialText(p.GetMaterials())
	case *workordersv1.StepChanged:
		entry.Subject, entry.Person, entry.Text = p.GetStep().GetName(), p.GetPerson(), stepText(fact, p.GetStep())
	case *workordersv1.MeasurementRecorded:
		m := p.GetMeasurement()
		entry.Subject, entry.Person, entry.Supersedes, entry.Text = m.GetName(), m.GetPerson(), m.GetSupersedes(), readingText(m)
	case *workordersv1.MotoringRecorded:
		r := p.GetMotoringRun()
		entry.Subject, entry.Person, entry.Supersedes, entry.Text = r.GetName(), r.GetPerson(), r.GetSupersedes(), runText(r)
		if after := p.GetCorrectedRun(); after != "" {
			entry.Person, entry.Supersedes, entry.Text = "", "", "Judged anew, as a run was corrected by "+after+": "+cmp.Or(r.GetExceedanceText(), "within the limits")
		}
	case *workordersv1.FindingChanged:
		entry.Subject, entry.Person, entry.Text = p.GetFinding().GetName(), findingPerson(fact, p.GetFinding()), findingText(fact, p.GetFinding())
	case *workordersv1.LabourRecorded:
		l := p.GetLabourEntry()
		entry.Subject, entry.Person, entry.Supersedes = l.GetName(), cmp.Or(l.GetCorrector(), l.GetPerson()), l.GetSupersedes()
		entry.Text = labourText(l)
	case *workordersv1.AttachmentAdded:
		entry.Subject, entry.Person, entry.Text = p.GetAttachment().GetName(), p.GetAttachment().GetPerson(), "Attached "+p.GetAttachment().GetMediaType()
	case *workordersv1.WorkOrderChanged:
		entry.Person, entry.Text = p.GetPerson(), orderText(p)
	}
	return entry, nil
}

// payloadOf is the empty payload of a fact of this service.
func payloadOf(fact string) proto.Message {
	switch kind, _, _ := strings.Cut(fact, "."); kind {
	case "step":
		if fact == "step.completed" {
			return &workordersv1.StepCompleted{}
		}
		return &workordersv1.StepChanged{}
	case "measurement":
		return &workordersv1.MeasurementRecorded{}
	case "motoring":
		return &workordersv1.MotoringRecorded{}
	case "finding":
		return &workordersv1.FindingChanged{}
	case "labour":
		return &workordersv1.LabourRecorded{}
	case "attachment":
		return &workordersv1.AttachmentAdded{}
	default:
		return &workordersv1.WorkOrderChanged{}
	}
}

func suffix(there bool, text string) string {
	if !there {
		return ""
	}
	return ", " + text
}

func orderText(c *workordersv1.WorkOrderChanged) string {
	var text strings.Builder
	text.WriteString("Order is " + c.GetState() + suffix(c.GetPlanRevision() > 0, fmt.Sprintf("plan revision %d", c.GetPlanRevision())) + suffix(c.GetReason() != "", c.GetReason()))
	for _, s := range c.GetSignatures() {
		if s.GetSubject() == "" && s.GetContentHash() == c.GetContentHash() && s.GetMeaning() != commonv1.Signature_MEANING_UNSPECIFIED {
			fmt.Fprintf(&text, ", signed %s by %s, %s", s.GetMeaning(), s.GetPersonName(), s.GetCertificate())
		}
	}
	return text.String()
}

// runKinds say what the starter was run for.
var runKinds = map[workordersv1.MotoringRun_Purpose]string{
	workordersv1.MotoringRun_PURPOSE_UNSPECIFIED: "Starter run", workordersv1.MotoringRun_DRYING: "Drying run", workordersv1.MotoringRun_EARLIER: "Starter run of an earlier job",
}

// labourText says how long was worked, and by whom where another person entered it.
func labourText(l *workordersv1.LabourEntry) string {
	worked := fmt.Sprintf("orked %d:%02d h", l.GetWorkedSeconds()/3600, l.GetWorkedSeconds()/60%60)
	if l.GetCorrector() == "" {
		return "W" + worked + correctionOf(l)
	}
	return l.GetPerson() + " w" + worked + correctionOf(l)
}

// correctionOf says what an entry corrects and why, nothing of one that corrects none.
func correctionOf(e interface {
	GetSupersedes() string
	GetReason() string
	GetWithdrawn() bool
},
) string {
	if e.GetSupersedes() == "" {
		return ""
	}
	what := ", corrects "
	if e.GetWithdrawn() {
		what = ", takes back "
	}
	return what + e.GetSupersedes() + ": " + e.GetReason()
}

// runText says what the starter was run for and how it went.
func runText(r *workordersv1.MotoringRun) string {
	return runKinds[r.GetPurpose()] + correctionOf(r) + suffix(r.GetPaperEntry(), "from the sheet") + suffix(r.GetAborted(), "broken off") + suffix(r.GetExceedance(), r.GetExceedanceText())
}

func stepText(fact string, s *workordersv1.Step) string {
	switch fact {
	case "step.acknowledged":
		return fmt.Sprintf("Cautions of step %d, %s, read", s.GetPosition(), s.GetTitle())
	case "step.reopened":
		e := s.GetEarlier()[len(s.GetEarlier())-1]
		return fmt.Sprintf("Step %d, %s, opened again, which was %s by %s: %s", s.GetPosition(), s.GetTitle(), e.GetState(), cmp.Or(e.GetPerformer(), "nobody"), e.GetReason())
	case "step.signed":
		return fmt.Sprintf("Step %d, %s, signed: %s", s.GetPosition(), s.GetTitle(), s.GetSignature())
	default:
		return fmt.Sprintf("Step %d, %s, left undone: %s; %s", s.GetPosition(), s.GetTitle(), s.GetNote(), s.GetAgreement())
	}
}

func materialText(used []*workordersv1.MaterialUse) string {
	var text strings.Builder
	for _, m := range used {
		fmt.Fprintf(&text, ", %s %s of %s", m.GetQuantity().GetValue(), m.GetQuantity().GetUnitCode(), m.GetLot())
	}
	return text.String()
}

func readingText(m *workordersv1.Measurement) string {
	return fmt.Sprintf("%s: %s %s", m.GetKey(), m.GetEntered().GetText(), m.GetEntered().GetUnitCode()) + suffix(!m.GetLimitsMet(), "outside its limits, confirmed") +
		suffix(m.GetPaperEntry(), "from the sheet") + suffix(m.GetTool() != "", "with "+m.GetTool()) + suffix(m.GetSupersedes() != "", "corrects "+m.GetSupersedes()+": "+m.GetReason())
}

// findingPerson is who did what a fact about a finding tells.
func findingPerson(fact string, f *workordersv1.Finding) string {
	switch fact {
	case "finding.raised":
		return f.GetRaiser()
	case "finding.answered", "finding.deferred":
		return f.GetAnswerer()
	case "finding.decided":
		return f.GetCustomerDecision().GetPerson()
	case "finding.ordered":
		return "" // a machine may draft; the entry has its account
	default:
		return f.GetCloser()
	}
}

func findingText(fact string, f *workordersv1.Finding) string {
	switch fact {
	case "finding.raised":
		return "Found: " + f.GetDescription() + suffix(f.GetStopWork(), "work stopped") + suffix(f.GetFlightSafety(), "endangers flight")
	case "finding.deferred":
		return "Put off until " + resource.DateText(f.GetLimitDate()) + ", first found " + resource.DateText(f.GetOriginalDate())
	case "finding.answered":
		return f.GetDisposition().String() + ": " + f.GetAnswer()
	case "finding.decided":
		return "The customer " + f.GetCustomerDecision().GetVerdict().String() + ": " + f.GetCustomerDecision().GetReference()
	case "finding.ordered":
		return "Own order raised: " + f.GetOwnOrder()
	default:
		return "Closed" + suffix(f.GetClosingNote() != "", f.GetClosingNote())
	}
}
