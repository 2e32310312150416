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
	r.history(d)
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
