package pack

import (
	"fmt"
	"strings"

	workordersv1 "coldsection.example/proto/coldsection/workorders/v1"
	"coldsection.example/services/platform/printing"
)

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
		"Starter profile", p.GetStarterProfile(), "Drying run", dried(p), "Left out", leftOut(r.Order.GetDryingOmission()),
		"Environment", environment(p.GetEnvironment()), "Cannot be done", strings.Join(p.GetRefusals(), " "))
	mix := printing.Table{Columns: columns("Measure in|Item|Amount", 1, 2, 2)}
	for _, c := range p.GetComponents() {
		mix.Rows = append(mix.Rows, []string{c.GetRole(), c.GetItem(), volume(c.GetQuantity())})
	}
	if len(mix.Rows) > 0 {
		d.Table(mix)
	}
	d.Together(r.timeline)
	r.numbers(d)
}

// dried is how soon after the last wetting the engine runs to dry.
func dried(p *workordersv1.WashPlan) string {
	if p.GetDryingLimitMinutes() == 0 {
		return "as approved data say"
	}
	return fmt.Sprintf("within %d min of the last wetting", p.GetDryingLimitMinutes())
}

// leftOut is why there was no drying run, who agreed and what allows it.
func leftOut(d *workordersv1.DryingOmission) string {
	if d == nil {
		return ""
	}
	return fmt.Sprintf("drying run not done: %s; %s; %s; entered by %s", d.GetReason(), d.GetAgreement(), or(d.GetCondition(), "nothing had gone into the engine"), d.GetPerson())
}

// timeline is a row for each run, with what follows it; it stands on one page.
func (r Record) timeline(d *printing.Document) {
	d.Heading(3, "Timeline, from the first rotation")
	t := printing.Table{Columns: columns("What|From|To|Valve open|Valve shut|Volume|Note", 1.1, .7, .7, .7, .7, 1.9, 3.4)}
	for _, l := range legs(r.Plan.GetTimeline()) {
		open, shut := l.valve()
		t.Rows = append(t.Rows, []string{words(l.GetActivity().String()), clock(l.GetStartSecond()), clock(l.GetEndSecond()), open, shut, volume(l.GetVolume()), l.told()})
	}
	d.Table(t)
}

// leg is something that is done, and the rests and soaks that follow it.
type leg struct {
	*workordersv1.TimelineEntry

	pauses []*workordersv1.TimelineEntry
}

// legs puts each pause to what goes before it; a pause that comes first stands alone.
func legs(timeline []*workordersv1.TimelineEntry) (out []leg) {
	for _, e := range timeline {
		idle := e.GetActivity() == workordersv1.TimelineEntry_REST || e.GetActivity() == workordersv1.TimelineEntry_SOAK
		if idle && len(out) > 0 {
			out[len(out)-1].pauses = append(out[len(out)-1].pauses, e)
			continue
		}
		out = append(out, leg{TimelineEntry: e})
	}
	return out
}

// valve is when it opens and shuts, empty where it stays shut.
func (l leg) valve() (open, shut string) {
	if l.GetValveShutSecond() == 0 {
		return "", ""
	}
	return clock(l.GetValveOpenSecond()), clock(l.GetValveShutSecond())
}

// then is what follows, each pause until its end.
func (l leg) then() string {
	var text []string
	for _, p := range l.pauses {
		text = append(text, pause(p))
	}
	return strings.Join(text, "; ")
}

// told is the note of what is done, and what follows with its reason.
func (l leg) told() string {
	var text []string
	if l.GetNote() != "" {
		text = append(text, l.GetNote())
	}
	for _, p := range l.pauses {
		text = append(text, strings.TrimSuffix("then "+pause(p)+": "+p.GetNote(), ": "))
	}
	return strings.Join(text, "; ")
}

func pause(p *workordersv1.TimelineEntry) string {
	return words(p.GetActivity().String()) + " to " + clock(p.GetEndSecond())
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
