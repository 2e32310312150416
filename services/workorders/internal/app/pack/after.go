package pack

import (
	"strings"

	workordersv1 "coldsection.example/proto/coldsection/workorders/v1"
	"coldsection.example/services/platform/printing"
	"coldsection.example/services/platform/resource"
)

func (r Record) runs(d *printing.Document) {
	if len(r.Runs) == 0 {
		return
	}
	d.Keep(fewRows)
	d.Heading(2, "Runs of the starter")
	t := printing.Table{Columns: columns("From|To|Length|Remarks|By", 1.6, 1.6, .8, 2.6, 1.2)}
	for _, run := range r.Runs {
		text := run.GetRemarks()
		switch run.GetPurpose() {
		case workordersv1.MotoringRun_DRYING:
			text = "Drying run, engine on. " + text
		case workordersv1.MotoringRun_EARLIER:
			text = "Of an earlier job. " + text
		default:
		}
		text += r.late(run.GetPaperEntry(), run.GetEndTime(), run.GetCreateTime())
		if run.GetAborted() {
			text = "Broken off. " + text
		}
		if run.GetExceedance() {
			text = "EXCEEDANCE: " + run.GetExceedanceText() + ". " + text
		}
		text = corrections(run) + text
		t.Rows = append(t.Rows, []string{r.when(run.GetStartTime()), r.when(run.GetEndTime()), duration(run), text, run.GetPerson()})
	}
	d.Table(t)
}

// corrected is an entry that may have been corrected, or correct another one.
type corrected interface {
	GetSupersedes() string
	GetSuccessor() string
	GetReason() string
	GetWithdrawn() bool
}

// corrections say of an entry that it does not count, and what it corrects and why.
func corrections(e corrected) (text string) {
	switch {
	case e.GetWithdrawn():
		text = "TAKEN BACK, there was none: " + e.GetReason() + ". "
	case e.GetSupersedes() != "":
		text = "A correction: " + e.GetReason() + ". "
	}
	if e.GetSuccessor() != "" {
		text = "CORRECTED by a later entry, does not count. " + text
	}
	return text
}

func (r Record) findings(d *printing.Document) {
	if len(r.Findings) == 0 {
		d.Heading(2, "Findings and deferrals")
		d.Paragraph("None.")
	}
	each(d, "Findings and deferrals", r.Findings, func(d *printing.Document, f *workordersv1.Finding) {
		safety := ""
		if f.GetFlightSafety() {
			safety = "endangers flight"
		}
		decision := ""
		if c := f.GetCustomerDecision(); c != nil {
			decision = words(c.GetVerdict().String()) + ", " + c.GetReference() + ", recorded by " + c.GetPerson()
		}
		facts(d, "Found", f.GetDescription(), "Flight safety", safety, "By, at", f.GetRaiser()+" "+r.when(f.GetRaiseTime()), "First found", resource.DateText(f.GetOriginalDate()),
			"On step", f.GetStep(), "State", words(f.GetState().String()), "What is done", strings.TrimSpace(words(f.GetDisposition().String())+": "+f.GetAnswer()), "By", f.GetAnswerer(),
			"Basis", strings.TrimSpace(f.GetBasis()+" "+f.GetDeferralCategory()), "Until", resource.DateText(f.GetLimitDate()), "Placard", f.GetPlacard(), "Customer", decision,
			"Own order", f.GetOwnOrder(), "Photographs (SHA-256)", strings.Join(f.GetPhotoSha256(), " "),
			"Closed", strings.TrimSpace(f.GetCloser()+" "+r.when(f.GetCloseTime())+" "+f.GetClosingNote()))
	})
}

func (r Record) labour(d *printing.Document) {
	d.Keep(fewRows)
	d.Heading(2, "Time worked")
	t := printing.Table{Columns: columns("Who|From, to|Step|Length", 1.2, 2.6, 1.6, 1.6)}
	for _, e := range r.Labour {
		t.Rows = append(t.Rows, []string{e.GetPerson(), r.span(e), e.GetStep(), corrections(e) + corrector(e) + hours(e.GetWorkedSeconds()) +
			r.late(e.GetPaperEntry(), e.GetEndTime(), e.GetCreateTime())})
	}
	t.Rows = append(t.Rows, []string{"All", "", "", hours(worked(r.Labour))})
	d.Table(t)
}

// corrector says who corrected the time of somebody else.
func corrector(e *workordersv1.LabourEntry) string {
	if e.GetCorrector() == "" {
		return ""
	}
	return "Entered by " + e.GetCorrector() + ". "
}

func (r Record) attached(d *printing.Document) {
	if len(r.Attached) == 0 {
		return
	}
	d.Heading(2, "Attachments")
	t := printing.Table{Columns: columns("SHA-256|Type|Bytes|By|Kept", 3.2, 1, .7, 1, 2.6)}
	for _, a := range r.Attached {
		t.Rows = append(t.Rows, []string{a.GetSha256(), a.GetMediaType(), number(float64(a.GetByteCount()), "1"), a.GetPerson(), kept(r.Order.GetRetention())})
	}
	d.Table(t)
}

// history is what happened to the order, in order: also what a later entry replaced, such as why it was held or sent back before.
func (r Record) history(d *printing.Document) {
	if len(r.History) == 0 {
		return
	}
	d.Keep(fewRows)
	d.Heading(2, "What was entered, in its order")
	t := printing.Table{Columns: columns("Entered|By|What", 1.9, 1.6, 6.5)}
	for _, e := range r.History {
		t.Rows = append(t.Rows, []string{r.when(e.GetEventTime()), or(e.GetPerson(), e.GetAccount()), e.GetText() + about(r.Order, e)})
	}
	d.Table(t)
}

// about says of which step or finding an entry is whose words don't.
func about(o *workordersv1.WorkOrder, e *workordersv1.HistoryEntry) string {
	if e.GetFact() != "step.completed" && !strings.HasPrefix(e.GetFact(), "finding.") {
		return ""
	}
	return " (" + strings.TrimPrefix(e.GetSubject(), o.GetName()+"/") + ")"
}

func (r Record) signatures(d *printing.Document) {
	if len(r.Signatures) == 0 {
		d.Heading(2, "Signatures and release")
		d.Paragraph("Nobody signed yet. This is no release.")
	}
	each(d, "Signatures and release", r.Signatures, func(d *printing.Document, s Signed) {
		check := "covers the record as it stands"
		if !s.Valid {
			check = s.Why
		}
		sig := s.Signature
		facts(d, "Meaning", words(sig.GetMeaning().String()), "Of", or(sig.GetSubject(), sig.GetName()[:strings.Index(sig.GetName()+"/signatures/", "/signatures/")]), "Name", sig.GetPersonName(),
			"Certificate", sig.GetCertificate(), "Authorization", sig.GetAuthorization(), "Date", resource.DateText(sig.GetSignDate())+" ("+sig.GetTimeZone()+")",
			"Instant", sig.GetSignTime().AsTime().Format("2006-01-02T15:04:05Z"), "By", sig.GetAuthenticationMethod(), "Text", sig.GetStatement(), "SHA-256 signed", sig.GetContentHash(),
			"Checked", check)
	})
	if r.Order.GetReleaseStatement() == "" {
		d.Paragraph("Not released.")
	}
}
