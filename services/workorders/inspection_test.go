package workorders_test

import (
	"strings"
	"testing"
	"time"

	"google.golang.org/genproto/googleapis/type/date"
	"google.golang.org/protobuf/proto"

	commonv1 "coldsection.example/proto/coldsection/common/v1"
	workordersv1 "coldsection.example/proto/coldsection/workorders/v1"
)

// inspected is an order of an inspection that is finished, with an unanswered finding for each text.
func (s *stage) inspected(regime string, texts ...string) (*workordersv1.WorkOrder, []*workordersv1.Finding) {
	s.t.Helper()
	o := s.under("ring-flow-check", regime)
	s.work(o, "ann")
	var found []*workordersv1.Finding
	for _, text := range texts {
		f := s.found(o, text)
		must[*workordersv1.Finding](s)(s.answer(f, workordersv1.Finding_RECTIFY, "", nil))
		found = append(found, f)
	}
	shown := s.preview(o, commonv1.Signature_PERFORMED)
	o = must[*workordersv1.WorkOrder](s)(s.do.FinishWorkOrder(s.as("ann"), &workordersv1.FinishWorkOrderRequest{
		Name: o.GetName(), Etag: shown.GetEtag(), ReauthenticationToken: s.proof("ann"), ContentHash: shown.GetContentHash(),
		EndCounters: &workordersv1.Counters{OperatingSeconds: 1235 * 3600, Cycles: 100, Starts: 121, AircraftSeconds: 4321 * 3600},
	}))
	s.clock.Advance(time.Minute)
	return o, found
}

// judged releases an inspection as shown, with its result and the date of its list.
func (s *stage) judged(o *workordersv1.WorkOrder, result workordersv1.InspectionResult, list *date.Date) (*workordersv1.WorkOrder, *workordersv1.PreviewSignatureResponse, error) {
	shown, err := s.look.PreviewSignature(s.as("rob"), &workordersv1.PreviewSignatureRequest{
		Name: o.GetName(), Meaning: commonv1.Signature_RELEASED, InspectionResult: result, DiscrepancyListDate: list,
	})
	if err != nil {
		return nil, nil, err
	}
	released, err := s.do.ReleaseWorkOrder(s.as("rob"), &workordersv1.ReleaseWorkOrderRequest{
		Name: o.GetName(), Etag: shown.GetEtag(), ReauthenticationToken: s.proof("rob"), ContentHash: shown.GetContentHash(), InspectionResult: result, DiscrepancyListDate: list,
	})
	return released, shown, err
}

const (
	airworthy    = workordersv1.InspectionResult_INSPECTION_RESULT_AIRWORTHY
	notAirworthy = workordersv1.InspectionResult_INSPECTION_RESULT_NOT_AIRWORTHY
)

// Case SGN-05 (14 CFR 43.11(a)(5), (b)): an inspection that did not find the aircraft airworthy is not signed without the date of the list of discrepancies; with
// it the rule's own statement is signed, findings that nobody put right are on the list and do not stop it, and the fact tells it.
func TestAnInspectionThatIsNotPassedNamesItsDatedList(t *testing.T) {
	engines(t, func(t *testing.T, s *stage) {
		o, found := s.inspected("faa-inspection", "Blade is nicked", "Oil leaks")
		_, _, err := s.judged(o, airworthy, nil)
		s.refused(err, "FINDING_OPEN", found[0].GetName())
		_, shown, err := s.judged(o, notAirworthy, nil)
		if row := cases(t)["SGN-05"]; row["accepted"] == "false" && row["missing"] == "discrepancy_list_date" {
			s.refused(err, "ENTRY_INCOMPLETE", "the date of the list of discrepancies")
		} else {
			t.Errorf("the row says %v", row)
		}
		if !strings.Contains(strings.Join(shown.GetMissing(), "; "), "the date of the list of discrepancies") {
			t.Errorf("shown as missing: %v", shown.GetMissing())
		}
		for reason, day := range map[string]*date.Date{"DATE_IN_FUTURE": {Year: 2026, Month: 3, Day: 15}, "DATE_INVALID": {Year: 2026, Month: 2, Day: 30}} {
			_, _, err = s.judged(o, notAirworthy, day)
			s.refused(err, reason)
		}
		if n := len(s.signatures(o)); n != 1 {
			t.Errorf("%d signatures before the release", n)
		}
		got, _, err := s.judged(o, notAirworthy, &date.Date{Year: 2026, Month: 3, Day: 14})
		o = must[*workordersv1.WorkOrder](s)(got, err)
		const want = "inspection and a list of discrepancies and unairworthy items dated 2026-03-14 has been provided for the aircraft owner or operator. On the list: Blade is nicked; Oil leaks."
		if !strings.Contains(o.GetReleaseStatement(), want) || strings.Contains(o.GetReleaseStatement(), "airworthy condition") {
			t.Error(o.GetReleaseStatement())
		}
		if o.GetInspectionResult() != notAirworthy || len(o.GetDiscrepancies()) != 2 || o.GetDiscrepancyListDate().GetDay() != 14 {
			t.Errorf("%v", o)
		}
		if told := s.told(o, "released"); !strings.Contains(told, `"inspectionResult":"NOT_AIRWORTHY"`) || !strings.Contains(told, "Oil leaks") {
			t.Errorf("told %s", told)
		}
		for _, sig := range s.signatures(o) {
			if check := must[*workordersv1.VerifySignatureResponse](s)(s.look.VerifySignature(s.as("ann"), &workordersv1.VerifySignatureRequest{Name: sig.GetName()})); !check.GetValid() {
				t.Errorf("%s: %s", sig.GetMeaning(), check.GetExplanation())
			}
		}
	})
}

// A list with nothing on it is refused, and so is a result where the regime words none; an inspection that says nothing else was passed.
func TestAResultIsWordedAndHasWhatItStates(t *testing.T) {
	engines(t, func(t *testing.T, s *stage) {
		o, _ := s.inspected("faa-inspection")
		day := &date.Date{Year: 2026, Month: 3, Day: 14}
		_, shown, err := s.judged(o, notAirworthy, day)
		s.refused(err, "NO_DISCREPANCY")
		if !strings.Contains(strings.Join(shown.GetMissing(), "; "), "no finding of the order is open") {
			t.Errorf("shown as missing: %v", shown.GetMissing())
		}
		got, _, err := s.judged(o, workordersv1.InspectionResult_INSPECTION_RESULT_UNSPECIFIED, nil)
		if o = must[*workordersv1.WorkOrder](s)(got, err); o.GetInspectionResult() != airworthy || !strings.Contains(o.GetReleaseStatement(), "airworthy condition") {
			t.Errorf("%v", o)
		}
		plain, _ := s.inspected("faa-maintenance", "Oil leaks")
		for _, result := range []workordersv1.InspectionResult{airworthy, notAirworthy} {
			_, _, err = s.judged(plain, result, day)
			s.refused(err, "INSPECTION_RESULT_NOT_WORDED", "regimes/faa-maintenance")
		}
		broken, _ := proto.Clone(s.regime("faa-inspection")).(*workordersv1.Regime)
		broken.NotAirworthyText = "Not passed: {discrepancies}. {not_done} {deferred}"
		_, err = s.do.CreateRegime(s.as("quinn"), &workordersv1.CreateRegimeRequest{RegimeId: "faa-inspection", Regime: broken})
		s.refused(err, "PATTERN_INCOMPLETE", "{list_date}")
	})
}
