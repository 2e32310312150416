package app

import (
	"testing"

	workordersv1 "coldsection.example/proto/coldsection/workorders/v1"
	"coldsection.example/services/platform/fault"
)

// counting is a step that counts back, taking one that takes so many items out.
func counting(name string, state workordersv1.Step_State, out int32) *workordersv1.Step {
	return &workordersv1.Step{Name: name, Kind: workordersv1.StepKind_STEP_KIND_RESTORE_AND_COUNT, State: state, RemovedItemCount: out}
}

func taking(out int32) *workordersv1.Step {
	return &workordersv1.Step{Name: "taking", Kind: workordersv1.StepKind_STEP_KIND_DO, State: workordersv1.Step_DONE, RemovedItemCount: out}
}

// opened is a count that was done and is open again.
func opened(name string, out int32) *workordersv1.Step {
	s := counting(name, workordersv1.Step_OPEN, 0)
	s.Earlier = []*workordersv1.EarlierStep{{State: workordersv1.Step_DONE, RemovedItemCount: out}}
	return s
}

// Of a card with two counts each counts what went out before it, and what one that is open again has to count is not cleared by the other.
func TestEachCountCountsWhatWentOutBeforeIt(t *testing.T) {
	done, pending := workordersv1.Step_DONE, workordersv1.Step_OPEN
	for name, c := range map[string]struct {
		steps []*workordersv1.Step
		out   int32
	}{
		"nothing yet":                      {[]*workordersv1.Step{counting("c1", pending, 0)}, 0},
		"three out":                        {[]*workordersv1.Step{taking(3), counting("c1", pending, 0)}, 3},
		"three back":                       {[]*workordersv1.Step{taking(3), counting("c1", done, 3)}, 0},
		"two more out":                     {[]*workordersv1.Step{taking(3), counting("c1", done, 3), taking(2), counting("c2", pending, 0)}, 2},
		"all back":                         {[]*workordersv1.Step{taking(3), counting("c1", done, 3), taking(2), counting("c2", done, 2)}, 0},
		"the first is open again":          {[]*workordersv1.Step{taking(3), opened("c1", 3), taking(2), counting("c2", done, 2)}, 3},
		"the second is open again":         {[]*workordersv1.Step{taking(3), counting("c1", done, 3), taking(2), opened("c2", 2)}, 2},
		"both are open again":              {[]*workordersv1.Step{taking(3), opened("c1", 3), taking(2), opened("c2", 2)}, 5},
		"what it counted itself, if known": {[]*workordersv1.Step{opened("c1", 4)}, 4},
	} {
		if got := stillOut(c.steps); got != c.out {
			t.Errorf("%s: %d are out, want %d", name, got, c.out)
		}
	}
	steps := []*workordersv1.Step{taking(3), opened("c1", 3), taking(2), counting("c2", done, 2)}
	for restored, want := range map[int32]string{0: "COUNT_DIFFERS", 2: "COUNT_DIFFERS", 3: "", 5: "COUNT_DIFFERS"} {
		err := counted(steps, steps[1], &workordersv1.CompleteStepRequest{RestoredItemCount: restored, Note: "counted anew"})
		if want == "" && err != nil || want != "" && !fault.HasReason(err, want) {
			t.Errorf("%d of three came back: %v, want %q", restored, err, want)
		}
	}
}
