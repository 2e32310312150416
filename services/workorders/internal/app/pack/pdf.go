package pack

import (
	"fmt"
	"slices"
	"strings"

	workordersv1 "coldsection.example/proto/coldsection/workorders/v1"
	"coldsection.example/services/platform/printing"
	"coldsection.example/services/platform/resource"
)

// fewRows is the room in millimetres that a title keeps for the first rows of a long table.
const fewRows = 40.0

func columns(titles string, weights ...float64) []printing.Column {
	var out []printing.Column
	for i, title := range strings.Split(titles, "|") {
		out = append(out, printing.Column{Title: title, Weight: weights[i]})
	}
	return out
}

// begin is a document of an order.
func begin(r Record, title, hash string) *printing.Document {
	return printing.NewDocument(printing.Meta{
		Title: title + " " + r.Order.GetNumber(), Subject: r.Order.GetDisplayName(), Author: "coldsection", Number: r.Order.GetNumber(), Hash: hash[:8], Notice: Notice,
		Created: r.Printed,
	}, printing.A4)
}

// PDF is the record for reading and keeping; hash is that of the JSON form.
func PDF(r Record, hash string) ([]byte, error) {
	d := begin(r, "Work pack", hash)
	d.Heading(1, fmt.Sprintf("%s  %s", r.Order.GetNumber(), r.Order.GetDisplayName()))
	r.header(d, hash)
	r.plan(d)
	r.steps(d)
	r.runs(d)
	r.findings(d)
	r.labour(d)
	r.attached(d)
	r.signatures(d)
	return d.PDF()
}

// each draws a list, every one of it on one page and the title with the first.
func each[T any](d *printing.Document, title string, list []T, draw func(d *printing.Document, one T)) {
	for i, one := range list {
		d.Together(func(d *printing.Document) {
			if i == 0 {
				d.Heading(2, title)
			}
			draw(d, one)
		})
	}
}

// facts is a table of what was recorded.
func facts(d *printing.Document, pairs ...string) { pairsOf(d, "As recorded", pairs) }

// planned is a table of what is to be.
func planned(d *printing.Document, pairs ...string) { pairsOf(d, "As planned", pairs) }

// short is how many characters stand beside another pair.
const short = 34

// pairsOf is a table without what is empty: what is short stands two by two, what is long below over the whole width.
func pairsOf(d *printing.Document, title string, pairs []string) {
	var brief []string
	long := printing.Table{Columns: columns("What|"+title, 1, 5)}
	for i := 0; i+1 < len(pairs); i += 2 {
		switch text := strings.TrimSpace(pairs[i+1]); {
		case text == "":
		case len([]rune(text)) <= short:
			brief = append(brief, pairs[i], text)
		default:
			long.Rows = append(long.Rows, []string{pairs[i], text})
		}
	}
	two := printing.Table{Columns: columns("What|"+title+"|What|"+title, 1, 2, 1, 2), Joined: len(long.Rows) > 0}
	for row := range slices.Chunk(brief, 4) {
		two.Rows = append(two.Rows, row)
	}
	if len(two.Rows) > 0 {
		d.Table(two)
		long.Headless = true
	}
	if len(long.Rows) > 0 {
		d.Table(long)
	}
}

func (r Record) header(d *printing.Document, hash string) {
	o := r.Order
	hold := ""
	if o.GetHold() != nil {
		hold = o.GetHold().GetReason() + ", since " + r.when(o.GetHold().GetHoldTime()) + ", by " + o.GetHold().GetPerson()
	}
	facts(d, "State", words(o.GetState().String()), "On hold", hold, "Engine", o.GetEngine()+", serial "+o.GetEngineSerial(), "Aircraft", o.GetAircraft(),
		"Task card", fmt.Sprintf("%s, revision %d", o.GetTaskCard(), o.GetTaskCardRevision()), "Why", r.why(), "Requirements", strings.Join(o.GetRequirements(), ", "),
		"Station", or(r.Station.GetDisplayName(), o.GetStation())+", times in "+r.Zone.String(), "Planned", r.planned(), "Assigned", strings.Join(o.GetAssignees(), ", "),
		"Started", r.when(o.GetStartTime())+r.paper(o.GetStartEntryTime() != nil, o.GetStartEntryTime()), "Counters at start", counters(o.GetStartCounters()),
		"Finished", r.when(o.GetFinishTime()), "Counters at end", counters(o.GetEndCounters()), "Released", r.when(o.GetReleaseTime()),
		"Sent back because", o.GetReworkReason(), "Ended because", o.GetVoidReason(),
		"Regime", or(o.GetRegime(), "regimes/general"), "Kept", kept(o.GetRetention()), "Remarks", o.GetRemarks(), "Printed", r.at(), "SHA-256 of the record", hash)
}

// kept says how long the record, with its attachments, must be kept.
func kept(t *workordersv1.Retention) string {
	switch {
	case t == nil:
		return ""
	case t.GetKeepThroughDate() == nil:
		return fmt.Sprintf("%s: until it ends and %d months more, with its attachments; %s", words(t.GetClass().String()), t.GetMonths(), t.GetSource())
	default:
		return fmt.Sprintf("%s: at least through %s, with its attachments; %s", words(t.GetClass().String()), resource.DateText(t.GetKeepThroughDate()), t.GetSource())
	}
}

func (r Record) why() string {
	o := r.Order.GetOrigin()
	if o.GetCause() == workordersv1.Origin_CAUSE_UNSPECIFIED {
		return strings.Join(o.GetReasons(), "; ")
	}
	cause := words(o.GetCause().String())
	if o.GetCause() == workordersv1.Origin_FINDING {
		cause += " " + o.GetReference()
	}
	return strings.Join(append([]string{cause}, o.GetReasons()...), "; ")
}

func (r Record) planned() string {
	if r.Order.GetPlanStartTime() == nil {
		return ""
	}
	return r.when(r.Order.GetPlanStartTime()) + " to " + or(r.when(r.Order.GetPlanEndTime()), "open")
}

func (r Record) plan(d *printing.Document) {
	p := r.Plan
	if p == nil {
		return
	}
	d.Heading(2, fmt.Sprintf("Wash plan, revision %d", p.GetRevision()))
	d.Paragraph(p.GetNotice() + " Data: " + p.GetData().GetTitle() + ", revision " + p.GetData().GetRevision() + ".")
	air := "not known"
	if p.GetTemperatureKnown() {
		air = temperature(p.GetPlannedAirTemperatureC())
	}
	planned(d, "Lowest air temperature", air, "Ratio", p.GetRatioText(), "Solution", volume(p.GetBatchVolume()), "Rinse water", volume(p.GetRinseVolume()),
		"Antifreeze", p.GetAntifreeze().GetExplanation(), "Water", p.GetWaterGrade(), "Container pressure", pressure(p.GetContainerPressureKpa())+", gauge",
		"Starter profile", p.GetStarterProfile(), "Drying run", fmt.Sprintf("within %d min of the last wetting", p.GetDryingLimitMinutes()),
		"Environment", environment(p.GetEnvironment()), "Cannot be done", strings.Join(p.GetRefusals(), " "))
	mix := printing.Table{Columns: columns("Measure in|Item|Amount", 1, 2, 2)}
	for _, c := range p.GetComponents() {
		mix.Rows = append(mix.Rows, []string{c.GetRole(), c.GetItem(), volume(c.GetQuantity())})
	}
	if len(mix.Rows) > 0 {
		d.Table(mix)
	}
	d.Keep(fewRows)
	d.Heading(3, "Timeline, from the first rotation")
	t := printing.Table{Columns: columns("What|From|To|Valve open|Valve shut|Volume|Note", 1.3, .7, .7, .8, .8, 1.7, 2.6)}
	for _, e := range p.GetTimeline() {
		open, shut := "", ""
		if e.GetValveShutSecond() > 0 {
			open, shut = clock(e.GetValveOpenSecond()), clock(e.GetValveShutSecond())
		}
		t.Rows = append(t.Rows, []string{words(e.GetActivity().String()), clock(e.GetStartSecond()), clock(e.GetEndSecond()), open, shut, volume(e.GetVolume()), e.GetNote()})
	}
	d.Table(t)
	r.numbers(d)
}

// environment says what the engine flew through, which wash follows and, where another one is done, why.
func environment(e *workordersv1.WashEnvironment) string {
	if e == nil {
		return ""
	}
	text := words(e.GetClass().String()) + ": " + strings.Join(e.GetReasons(), "; ") + ". "
	if e.GetProposedKind() == workordersv1.TaskCard_KIND_UNSPECIFIED {
		text += "No wash follows from it."
	} else {
		text += "A " + words(e.GetProposedKind().String()) + " follows from it."
	}
	if e.GetChoiceReason() != "" {
		text += " Another one is done, because: " + strings.TrimSpace(e.GetChoiceReason()+" "+e.GetChooser())
	}
	return text
}

func (r Record) numbers(d *printing.Document) {
	d.Keep(fewRows)
	d.Heading(3, "Every number and where it comes from")
	t := printing.Table{Columns: columns("Number|Value|Other units|Arithmetic|Source", 1.6, 1, 1.1, 2.4, 1.7)}
	for _, n := range r.Plan.GetNumbers() {
		t.Rows = append(t.Rows, []string{n.GetLabel(), number(n.GetValue(), n.GetUnitCode()), n.GetAlternateText(), n.GetFormula(), n.GetSource()})
	}
	d.Table(t)
}

func cautions(d *printing.Document, list []*workordersv1.Caution) {
	for _, c := range list {
		d.Caution(c.GetSeverity().String(), c.GetText())
	}
}

func (r Record) steps(d *printing.Document) {
	each(d, "Steps", r.Steps, func(d *printing.Document, s *workordersv1.Step) {
		d.Heading(3, fmt.Sprintf("%d  %s", s.GetPosition(), s.GetTitle()))
		cautions(d, s.GetCautions())
		d.Paragraph(or(s.GetInstruction(), "As approved data say."))
		counted := ""
		if s.GetRemovedItemCount()+s.GetRestoredItemCount() > 0 {
			counted = fmt.Sprintf("%d out, %d back", s.GetRemovedItemCount(), s.GetRestoredItemCount())
		}
		critical := ""
		if s.GetCritical() {
			critical = "yes"
		}
		facts(d, "Kind", words(s.GetKind().String()), "Critical", critical, "State", words(s.GetState().String()), "Done by", s.GetPerformer(), "At", r.when(s.GetCompleteTime()),
			"Cautions read", strings.TrimSpace(s.GetAcknowledger()+" "+r.when(s.GetAcknowledgeTime())), "Entered", r.paper(s.GetPaperEntry(), s.GetEntryTime()),
			"Note", s.GetNote(), "Agreed by", s.GetAgreement(), "Counted", counted,
			"Signature", s.GetSignature())
		r.readings(d, s)
		used := printing.Table{Columns: columns("Lot|Amount|At", 2, 1.5, 1.5)}
		for _, m := range s.GetMaterials() {
			used.Rows = append(used.Rows, []string{m.GetLot(), volume(m.GetQuantity()), r.when(m.GetUseTime())})
		}
		if len(used.Rows) > 0 {
			d.Table(used)
		}
	})
}

func (r Record) readings(d *printing.Document, s *workordersv1.Step) {
	t := printing.Table{Columns: columns("Reading|Limits, source|As entered|Value|Tool, calibration|By, at", 1.4, 1.6, 1, 1.2, 2, 1.6)}
	for _, spec := range s.GetMeasurements() {
		row := []string{spec.GetDisplayName(), limits(spec) + "; " + spec.GetSource(), "not taken"}
		taken := false
		for _, m := range r.Readings {
			if m.GetStep() != s.GetName() || m.GetKey() != spec.GetKey() {
				continue
			}
			taken = true
			if m.MinValue != nil || m.MaxValue != nil {
				row[1] = limits(&workordersv1.MeasurementSpec{MinValue: m.MinValue, MaxValue: m.MaxValue, UnitCode: spec.GetUnitCode()}) + "; " + spec.GetSource()
			}
			t.Rows = append(t.Rows, []string{row[0], row[1], m.GetEntered().GetText() + " " + m.GetEntered().GetUnitCode(), judged(m), m.GetTool() + " " + m.GetToolCalibration(),
				m.GetPerson() + " " + r.when(m.GetMeasureTime()) + r.paper(m.GetPaperEntry(), m.GetCreateTime())})
		}
		if !taken {
			t.Rows = append(t.Rows, row)
		}
	}
	if len(t.Rows) > 0 {
		d.Table(t)
	}
	arithmetic(d, s)
}

// arithmetic shows how computed limits came about, each step of it once.
func arithmetic(d *printing.Document, s *workordersv1.Step) {
	t := printing.Table{Columns: columns("Computed limits|Value|Arithmetic|Source", 1.6, 1, 2.4, 2)}
	seen := map[string]bool{}
	for _, m := range s.GetMeasurements() {
		for _, n := range m.GetLimitSteps() {
			if !seen[n.GetLabel()] {
				t.Rows = append(t.Rows, []string{n.GetLabel(), fmt.Sprintf("%.5g %s", n.GetValue(), n.GetUnitCode()), n.GetFormula(), n.GetSource()})
			}
			seen[n.GetLabel()] = true
		}
	}
	if len(t.Rows) > 0 {
		d.Table(t)
	}
}

// judged says a value, whether it is within its limits, and what corrected it.
func judged(m *workordersv1.Measurement) string {
	text := number(m.GetValue(), m.GetUnitCode())
	if m.GetUnitCode() == "kPa" {
		text = pressure(m.GetValue())
	}
	if !m.GetLimitsMet() {
		text += ", OUTSIDE ITS LIMITS, confirmed"
	}
	if m.GetSuccessor() != "" {
		text += ", corrected by a later entry"
	}
	if m.GetReason() != "" {
		text += ", a correction: " + m.GetReason()
	}
	return text
}

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
		text += r.paper(run.GetPaperEntry(), run.GetCreateTime())
		if run.GetAborted() {
			text = "Broken off. " + text
		}
		if run.GetExceedance() {
			text = "EXCEEDANCE: " + run.GetExceedanceText() + ". " + text
		}
		t.Rows = append(t.Rows, []string{r.when(run.GetStartTime()), r.when(run.GetEndTime()), duration(run), text, run.GetPerson()})
	}
	d.Table(t)
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
		t.Rows = append(t.Rows, []string{e.GetPerson(), r.span(e), e.GetStep(), hours(e.GetWorkedSeconds()) + r.paper(e.GetPaperEntry(), e.GetCreateTime())})
	}
	t.Rows = append(t.Rows, []string{"All", "", "", hours(worked(r.Labour))})
	d.Table(t)
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
