package regimes_test

import (
	"strings"
	"testing"

	workordersv1 "coldsection.example/proto/coldsection/workorders/v1"
	"coldsection.example/services/platform/fault"
	"coldsection.example/services/workorders/internal/app/regimes"
)

// The shipped regimes pass the rules of an operator's own, are marked as samples, and say that calculated values are to be
// confirmed.
func TestSamplesAreSound(t *testing.T) {
	for _, r := range regimes.Samples() {
		if err := regimes.Check(r); err != nil || !r.GetSample() || !strings.Contains(r.GetReleasedText(), "to be confirmed against approved data") {
			t.Errorf("%s: %v", r.GetName(), err)
		}
	}
}

func TestCheckRefusesWhatCannotWordOrLimit(t *testing.T) {
	for reason, change := range map[string]func(r *workordersv1.Regime){
		"PATTERN_UNKNOWN":    func(r *workordersv1.Regime) { r.PerformedText = "{who}" },
		"PATTERN_INCOMPLETE": func(r *workordersv1.Regime) { r.ReleasedText = "Released: {not_done}" },
		"CATEGORY_TWICE": func(r *workordersv1.Regime) {
			r.DeferralCategories = append(r.DeferralCategories, r.GetDeferralCategories()[0])
		},
	} {
		r := regimes.Samples()[1]
		change(r)
		if err := regimes.Check(r); !fault.HasReason(err, reason) {
			t.Errorf("%s: %v", reason, err)
		}
	}
	if _, err := regimes.Category(regimes.Samples()[0], "C"); !fault.HasReason(err, "CATEGORY_UNKNOWN") {
		t.Error(err)
	}
	if c, err := regimes.Category(regimes.Samples()[1], "C"); err != nil || c.GetDays() != 10 {
		t.Errorf("%v %v", c, err)
	}
}
