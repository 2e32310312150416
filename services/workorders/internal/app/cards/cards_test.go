package cards_test

import (
	"slices"
	"strings"
	"testing"

	workordersv1 "coldsection.example/proto/coldsection/workorders/v1"
	"coldsection.example/services/workorders/internal/app/cards"
)

// The shipped cards are samples for every kind of work, can be worked, and pass the rules that an operator's own cards must.
func TestSamplesCoverTheWork(t *testing.T) {
	kinds := map[workordersv1.TaskCard_Kind]bool{}
	for _, c := range cards.Samples() {
		kinds[c.GetKind()] = true
		marked := c.GetSample() && strings.Contains(c.GetDocument().GetTitle(), "to be replaced by approved data") && strings.Contains(c.GetDisplayName(), "(sample)")
		if err := cards.Check(c); err != nil || !marked {
			t.Errorf("%s: %v, marked as a sample: %t", c.GetName(), err, marked)
		}
	}
	for kind := workordersv1.TaskCard_SALT_RINSE; kind < workordersv1.TaskCard_OTHER; kind++ {
		if !kinds[kind] {
			t.Errorf("no sample for %s", kind)
		}
	}
}

func warns(step *workordersv1.CardStep, severity workordersv1.Caution_Severity, word string) bool {
	return slices.ContainsFunc(step.GetCautions(), func(c *workordersv1.Caution) bool {
		return c.GetSeverity() == severity && strings.Contains(strings.ToLower(c.GetText()), word) && c.GetSource() != ""
	})
}

// Whoever turns, sprays, pressurises or heats is told before (handbook of compliance, section 6: usual cautions).
func TestCautionsStandBeforeWhatCanHurt(t *testing.T) {
	for _, c := range cards.Samples() {
		for _, s := range c.GetSteps() {
			told := true
			switch {
			case s.GetKind() == workordersv1.StepKind_STEP_KIND_TIMED_RUN:
				told = warns(s, workordersv1.Caution_WARNING, "propeller") && warns(s, workordersv1.Caution_CAUTION, "starter")
			case s.GetKind() == workordersv1.StepKind_STEP_KIND_MATERIAL:
				told = warns(s, workordersv1.Caution_WARNING, "safety data sheet")
			case strings.Contains(s.GetTitle(), "pressure") || strings.Contains(s.GetTitle(), "ring"):
				told = warns(s, workordersv1.Caution_WARNING, "pressure")
			case strings.HasPrefix(s.GetTitle(), "Run and read"), strings.Contains(s.GetTitle(), "drying run"):
				told = warns(s, workordersv1.Caution_WARNING, "propeller") && warns(s, workordersv1.Caution_WARNING, "exhaust")
			case strings.Contains(strings.ToLower(s.GetTitle()), "heater"):
				told = warns(s, workordersv1.Caution_WARNING, "burn and shock")
			}
			if !told {
				t.Errorf("%s, %q: %v", c.GetName(), s.GetTitle(), s.GetCautions())
			}
		}
	}
}

// The heater is isolated first and restored before another person looks; runs of the engine need their own authorization.
func TestOrderAndRightsOfTheSamples(t *testing.T) {
	for _, c := range cards.Samples() {
		steps := c.GetSteps()
		last := steps[len(steps)-1]
		if c.GetInspectionRequired() && last.GetKind() != workordersv1.StepKind_STEP_KIND_INDEPENDENT_INSPECTION {
			t.Errorf("%s ends with %q", c.GetName(), last.GetTitle())
		}
		if c.GetKind() == workordersv1.TaskCard_SENSE_LINE_HEATER_CHECK && (!steps[0].GetCritical() || !strings.HasPrefix(steps[0].GetTitle(), "Isolate")) {
			t.Errorf("%s begins with %q", c.GetName(), steps[0].GetTitle())
		}
		for _, s := range steps {
			if runs := strings.HasPrefix(s.GetTitle(), "Run and read"); runs != slices.Contains(s.GetRequiredAuthorizations(), "ground-run") {
				t.Errorf("%s, %q needs %v", c.GetName(), s.GetTitle(), s.GetRequiredAuthorizations())
			}
		}
	}
}
