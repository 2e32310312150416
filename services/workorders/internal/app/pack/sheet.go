package pack

import (
	"fmt"

	workordersv1 "coldsection.example/proto/coldsection/workorders/v1"
	"coldsection.example/services/platform/printing"
)

const (
	writing  = 9.0 // mm of a row that is written in by hand
	spare    = 3   // rows more than planned
	qrSide   = 24.0
	boxLines = 22.0
)

// Sheet is the fallback sheet: what to do, with its cautions first, and empty boxes for what was done. It is no record and no
// release until it was entered and signed.
func Sheet(r Record, hash string) ([]byte, error) {
	code, err := printing.QR(r.Order.GetName())
	if err != nil {
		return nil, err
	}
	d := begin(r, "Fallback sheet", hash)
	d.Heading(1, fmt.Sprintf("%s  %s", r.Order.GetNumber(), r.Order.GetDisplayName()))
	d.Symbol(qrSide, code, fmt.Sprintf("%s. Engine %s, serial %s. Card %s, revision %d. State when printed, %s: %s. Write down what was done when it was done, in ink. "+
		"Who did a step enters it later under the own account; this sheet is no record and no release.", r.Order.GetName(), r.Order.GetEngine(), r.Order.GetEngineSerial(),
		r.Order.GetTaskCard(), r.Order.GetTaskCardRevision(), r.at(), words(r.Order.GetState().String())))
	d.Space(2)
	for _, label := range []string{"Hours, cycles, starts at start", "Hours, cycles, starts at end", "Starter last used at"} {
		d.WriteIn(label, writing)
	}
	r.sheetPlan(d)
	each(d, "Steps", r.Steps, sheetStep)
	d.Together(sheetFound)
	d.Together(sheetRest)
	return d.PDF()
}

// sheetPlan is what the plan asks for, and rows for the runs that are made.
func (r Record) sheetPlan(d *printing.Document) {
	p := r.Plan
	if p == nil {
		return
	}
	d.Heading(2, fmt.Sprintf("Wash plan, revision %d", p.GetRevision()))
	d.Paragraph(p.GetNotice() + " " + p.GetRatioText())
	planned(d, "Solution", volume(p.GetBatchVolume()), "Rinse water", volume(p.GetRinseVolume()), "Antifreeze", p.GetAntifreeze().GetExplanation(),
		"Container pressure", pressure(p.GetContainerPressureKpa())+", gauge", "Drying run", dried(p))
	for _, c := range p.GetComponents() {
		d.WriteIn(fmt.Sprintf("%s, %s: amount and lot", c.GetRole(), volume(c.GetQuantity())), writing)
	}
	d.Together(r.sheetRuns)
}

// sheetRuns is a row for each run, with what follows it, and some more, on one page.
func (r Record) sheetRuns(d *printing.Document) {
	t := printing.Table{Columns: columns("Planned|From|To|Valve open|Valve shut|Then|Started at|Stopped at|Broken off", 1.3, .7, .7, .8, .8, 1.4, 1.3, 1.3, .8), RowHeight: writing}
	for _, l := range legs(r.Plan.GetTimeline()) {
		open, shut := l.valve()
		t.Rows = append(t.Rows, []string{words(l.GetActivity().String()), clock(l.GetStartSecond()), clock(l.GetEndSecond()), open, shut, l.then(), "", "", printing.EmptyBox})
	}
	for range spare {
		t.Rows = append(t.Rows, []string{"another run", "", "", "", "", "", "", "", printing.EmptyBox})
	}
	d.Table(t)
}

func sheetStep(d *printing.Document, s *workordersv1.Step) {
	d.Heading(3, fmt.Sprintf("%d  %s", s.GetPosition(), s.GetTitle()))
	cautions(d, s.GetCautions())
	if len(s.GetCautions()) > 0 {
		d.Tick("Cautions read by who does the step", false)
	}
	d.Paragraph(or(s.GetInstruction(), "As approved data say."))
	t := printing.Table{Columns: columns("Reading|Limits|Value and unit|Tool", 1.6, 1.8, 1.4, 1.4), RowHeight: writing}
	for _, m := range s.GetMeasurements() {
		t.Rows = append(t.Rows, []string{m.GetDisplayName(), limits(m)})
	}
	if len(t.Rows) > 0 {
		d.Table(t)
	}
	switch s.GetKind() {
	case workordersv1.StepKind_STEP_KIND_MATERIAL:
		d.WriteIn("Lot and amount", writing)
	case workordersv1.StepKind_STEP_KIND_RESTORE_AND_COUNT:
		d.WriteIn("Went out, came back", writing)
	default:
	}
	d.Table(printing.Table{Columns: columns("Done by (name in full)|At (date, time)|Signature", 2, 1.4, 1.6), Rows: [][]string{{""}}, RowHeight: writing})
}

func sheetFound(d *printing.Document) {
	d.Heading(2, "Found")
	d.WriteIn("What, on which step", boxLines)
	d.Tick("Work stopped", false)
}

func sheetRest(d *printing.Document) {
	d.Heading(2, "Time worked")
	rows := make([][]string, spare)
	for i := range rows {
		rows[i] = []string{""}
	}
	d.Table(printing.Table{Columns: columns("Who|From|To|Step", 2, 1.3, 1.3, 1.4), Rows: rows, RowHeight: writing})
	d.WriteIn("Entered by: name, date, time", writing)
}
