package pack

import (
	"fmt"
	"slices"
	"strings"

	workordersv1 "coldsection.example/proto/coldsection/workorders/v1"
	"coldsection.example/services/platform/printing"
)

func cautions(d *printing.Document, list []*workordersv1.Caution) {
	for _, c := range list {
		d.Caution(c.GetSeverity().String(), c.GetText())
	}
}

func (r Record) steps(d *printing.Document) {
	each(d, "Steps", r.Steps, func(d *printing.Document, s *workordersv1.Step) {
		d.Together(func(d *printing.Document) { // of a step that is longer than a page, too, all cautions stand together, before what to do
			d.Heading(3, fmt.Sprintf("%d  %s", s.GetPosition(), s.GetTitle()))
			cautions(d, s.GetCautions())
			d.Paragraph(or(s.GetInstruction(), "As approved data say."))
		})
		counted := ""
		if s.GetRemovedItemCount()+s.GetRestoredItemCount() > 0 {
			counted = fmt.Sprintf("%d out, %d back", s.GetRemovedItemCount(), s.GetRestoredItemCount())
		}
		critical := ""
		if s.GetCritical() {
			critical = "yes"
		}
		facts(d, "Kind", words(s.GetKind().String()), "Critical", critical, "State", words(s.GetState().String()), "Done by", s.GetPerformer(), "At", r.when(s.GetCompleteTime()),
			"Cautions read", strings.TrimSpace(s.GetAcknowledger()+" "+r.when(s.GetAcknowledgeTime())), "Entered", r.late(s.GetPaperEntry(), s.GetCompleteTime(), s.GetEntryTime()),
			"Note", s.GetNote(), "Agreed by", s.GetAgreement(), "Counted", counted,
			"Signature", s.GetSignature())
		r.earlier(d, s)
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

// earlier shows what was recorded on a step before it was opened again.
func (r Record) earlier(d *printing.Document, s *workordersv1.Step) {
	t := printing.Table{Columns: columns("Recorded before|By, at|What|Opened again by, at|Because", .9, 1.6, 2.2, 1.6, 2)}
	for _, e := range s.GetEarlier() {
		what := []string{e.GetNote(), e.GetAgreement(), e.GetSignature()}
		if e.GetRemovedItemCount()+e.GetRestoredItemCount() > 0 {
			what = append(what, fmt.Sprintf("%d out, %d back", e.GetRemovedItemCount(), e.GetRestoredItemCount()))
		}
		for _, m := range e.GetMaterials() {
			what = append(what, m.GetLot()+" "+volume(m.GetQuantity()))
		}
		what = slices.DeleteFunc(what, func(text string) bool { return text == "" })
		t.Rows = append(t.Rows, []string{words(e.GetState().String()), e.GetPerformer() + " " + r.when(e.GetCompleteTime()) + r.late(e.GetPaperEntry(), e.GetCompleteTime(), e.GetEntryTime()),
			strings.Join(what, "; "), e.GetReopener() + " " + r.when(e.GetReopenTime()), e.GetReason()})
	}
	if len(t.Rows) > 0 {
		d.Table(t)
	}
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
				m.GetPerson() + " " + r.when(m.GetMeasureTime()) + r.late(m.GetPaperEntry(), m.GetMeasureTime(), m.GetCreateTime())})
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
