package app

import (
	"testing"

	performancev1 "coldsection.example/proto/coldsection/performance/v1"
	"coldsection.example/services/platform/fault"
)

// A currency that was replaced may stay in a model that had it, so that its other data can be changed; nobody states it anew.
func TestAReplacedCurrencyStaysUntilPricesAreStatedAnew(t *testing.T) {
	for what, c := range map[string]struct {
		before, now string
		refused     bool
	}{
		"it stays": {"BGN", "BGN", false}, "it comes": {"EUR", "BGN", true}, "it goes": {"BGN", "EUR", false}, "none": {"", "", false},
		"it comes first": {"", "BGN", true}, "it is taken out": {"BGN", "", false},
	} {
		m := &performancev1.EngineModel{Advice: &performancev1.AdviceRules{CostCurrencyCode: c.now}}
		if err := checkCurrency(m, c.before); fault.HasReason(err, "CURRENCY_UNKNOWN") != c.refused {
			t.Errorf("%s: %v", what, err)
		}
	}
}
