package app

import (
	"context"
	"slices"

	performancev1 "coldsection.example/proto/coldsection/performance/v1"
	"coldsection.example/services/performance/internal/analysis"
	"coldsection.example/services/performance/internal/store"
	"coldsection.example/services/platform/fault"
)

// checkEvent refuses a check that says nothing, and a result of what is no check. Reason: CHECK_INCOMPLETE.
func checkEvent(e *performancev1.EngineEvent) error {
	switch {
	case e.GetKind() == performancev1.EngineEvent_CHECK:
		if e.GetCheckResult() == performancev1.EngineEvent_CHECK_RESULT_UNSPECIFIED || !slices.Contains(analysis.Causes(), e.GetCheckedCause()) {
			return fault.Invalid("engine_event.checked_cause", "CHECK_INCOMPLETE",
				"A check says which cause it bears on and what it found; %.40q is no cause that is weighed here. Name one such as itt_indication, and the result.", e.GetCheckedCause())
		}
	case e.GetCheckedCause() != "" || e.GetCheckResult() != performancev1.EngineEvent_CHECK_RESULT_UNSPECIFIED:
		return fault.Invalid("engine_event.kind", "CHECK_INCOMPLETE", "Only a check has a cause and a result. Make it a check, or leave them out.")
	}
	return nil
}

// checked weighs shifts again with what checks found.
func (u unit) checked(ctx context.Context, engine string, shifts []analysis.Shift) ([]analysis.Shift, error) {
	if len(shifts) == 0 {
		return shifts, nil
	}
	stored, err := store.StandingEvents(ctx, u.Tx, engine)
	if err != nil {
		return shifts, err
	}
	var found []analysis.Check
	for _, e := range stored {
		if e.GetKind() != performancev1.EngineEvent_CHECK {
			continue
		}
		found = append(found, analysis.Check{At: e.GetEventTime().AsTime(), Cause: e.GetCheckedCause(), Sound: e.GetCheckResult() == performancev1.EngineEvent_SOUND, Note: e.GetNote()})
	}
	if len(found) == 0 {
		return shifts, nil
	}
	out := slices.Clone(shifts)
	for i := range out {
		out[i] = analysis.Weighed(out[i], found)
	}
	return out, nil
}
