package app

import (
	"cmp"
	"fmt"
	"slices"
	"strings"
	"unicode/utf8"

	performancev1 "coldsection.example/proto/coldsection/performance/v1"
	workordersv1 "coldsection.example/proto/coldsection/workorders/v1"
)

// bearing is the cause that a kind of check bears on; the heater of the sense line keeps ice away and bears on none that is weighed.
var bearing = map[string]string{"TEMPERATURE_TRIM_CHECK": "itt_indication", "SENSE_LINE_HEATER_CHECK": ""}

// foundBy is what a released order's check found: faulty by the first reading outside its limits, else sound by those within. It is
// nil for other work, and where no reading had limits, as nothing was judged.
func foundBy(fact *workordersv1.WorkOrderChanged) *performancev1.EngineEvent {
	cause, isCheck := bearing[fact.GetKind()]
	if !isCheck {
		return nil
	}
	judged := slices.DeleteFunc(slices.Clone(fact.GetStepReadings()), func(r *workordersv1.StepReading) bool { return !r.GetLimited() })
	if len(judged) == 0 {
		return nil
	}
	decisive, result, word := judged[0], performancev1.EngineEvent_SOUND, "within"
	if i := slices.IndexFunc(judged, func(r *workordersv1.StepReading) bool { return !r.GetLimitsMet() }); i >= 0 {
		decisive, result, word = judged[i], performancev1.EngineEvent_FAULTY, "outside"
	}
	return &performancev1.EngineEvent{
		Name: fact.GetEngine() + "/engineEvents/" + strings.TrimPrefix(fact.GetWorkOrder(), "workOrders/") + "-check", Kind: performancev1.EngineEvent_CHECK,
		EventTime: cmp.Or(decisive.GetMeasureTime(), fact.GetEventTime()), OperatingHours: float64(fact.GetCounters().GetOperatingSeconds()) / 3600,
		WorkOrder: fact.GetWorkOrder(), Step: decisive.GetStep(), CheckedCause: cause, CheckResult: result,
		Note: short(fmt.Sprintf("Released work order %s, step %d, %s: %s of %g %s is %s its limits", fact.GetNumber(), decisive.GetPosition(), decisive.GetTitle(),
			decisive.GetDisplayName(), decisive.GetValue(), decisive.GetUnitCode(), word)),
	}
}

// short is a note as long as notes may be.
func short(note string) string {
	const most = 400
	if utf8.RuneCountInString(note) <= most {
		return note
	}
	return string([]rune(note)[:most-1]) + "…"
}
