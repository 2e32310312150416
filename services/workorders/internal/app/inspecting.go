package app

import (
	"slices"
	"time"

	"google.golang.org/genproto/googleapis/type/date"

	commonv1 "coldsection.example/proto/coldsection/common/v1"
	workordersv1 "coldsection.example/proto/coldsection/workorders/v1"
	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/resource"
)

// notAirworthy says that an inspection is released that did not find the aircraft airworthy.
func (s signing) notAirworthy() bool {
	return s.meaning == commonv1.Signature_RELEASED && s.result == workordersv1.InspectionResult_INSPECTION_RESULT_NOT_AIRWORTHY
}

// releasePattern is the wording of a release: that of an inspection that was not passed where it says so. A regime that has none never
// words it as passed. Reason: INSPECTION_RESULT_NOT_WORDED.
func (s signing) releasePattern(r *workordersv1.Regime) (string, error) {
	words := r.GetNotAirworthyText()
	switch {
	case s.result == workordersv1.InspectionResult_INSPECTION_RESULT_UNSPECIFIED, words != "" && !s.notAirworthy():
		return r.GetReleasedText(), nil
	case words == "":
		return "", fault.Precondition("INSPECTION_RESULT_NOT_WORDED",
			"%s has no wording of an inspection that was not passed, so an order under it has no result. Put the order under a regime of inspections, or add the wording to this one.", r.GetName())
	default:
		return words, nil
	}
}

// listed is what an inspection that was not passed still lacks: the date of the list of discrepancies that the owner or operator is given, and something on it
// (14 CFR 43.11(a)(5), (b)).
func (s signing) listed(c content) (missing []string) {
	if !s.notAirworthy() {
		return nil
	}
	if s.listDate == nil {
		missing = append(missing, "the date of the list of discrepancies")
	}
	if len(c.wrong)+len(c.findings) == 0 { // one without an answer is missing that, and is then on the list
		missing = append(missing, "a discrepancy: no finding of the order is open")
	}
	return missing
}

// mayList refuses a list without a date or with one that has not come, and one with nothing on it. Reasons: ENTRY_INCOMPLETE,
// NO_DISCREPANCY, DATE_INVALID, DATE_IN_FUTURE.
func (s signing) mayList(c content, today *date.Date) error {
	if !s.notAirworthy() {
		return nil
	}
	day := resource.DateText(s.listDate)
	_, err := time.Parse(time.DateOnly, day)
	switch {
	case s.listDate == nil:
		return incomplete([]string{"the date of the list of discrepancies"})
	case err != nil:
		return fault.Invalid("discrepancy_list_date", "DATE_INVALID", "There is no day %q. Give the date of the list of discrepancies.", day)
	case day > resource.DateText(today):
		return fault.Invalid("discrepancy_list_date", "DATE_IN_FUTURE", "The list of discrepancies is of %s, which has not come yet. Give the date on the list.", day)
	case len(c.wrong) == 0:
		return fault.Precondition("NO_DISCREPANCY", "The inspection would be not passed, and no finding of the order is open, so that its list is empty. Report what is wrong as a finding first.")
	default:
		return nil
	}
}

// came is what an inspection came to: the regime words an order as an inspection, and who says nothing else signs that it was passed.
func (s signing) came(r *workordersv1.Regime) workordersv1.InspectionResult {
	if r.GetNotAirworthyText() == "" || s.result != workordersv1.InspectionResult_INSPECTION_RESULT_UNSPECIFIED {
		return s.result
	}
	return workordersv1.InspectionResult_INSPECTION_RESULT_AIRWORTHY
}

// stampResult writes on an order what its inspection came to.
func (s signing) stampResult(o *workordersv1.WorkOrder, r *workordersv1.Regime, c content) {
	o.InspectionResult = s.came(r)
	if s.notAirworthy() {
		o.Discrepancies, o.DiscrepancyListDate = slices.Clone(c.wrong), s.listDate
	}
}

// resultText is an inspection's result as facts tell it.
func resultText(r workordersv1.InspectionResult) string {
	switch r {
	case workordersv1.InspectionResult_INSPECTION_RESULT_AIRWORTHY:
		return "AIRWORTHY"
	case workordersv1.InspectionResult_INSPECTION_RESULT_NOT_AIRWORTHY:
		return "NOT_AIRWORTHY"
	default:
		return ""
	}
}
