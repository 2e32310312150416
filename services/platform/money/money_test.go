package money_test

import (
	"strings"
	"testing"

	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/money"
)

// The codes are those of ISO 4217, list one; what came and went since is named in the head of the list. That CLF has four decimals, KWD three and JPY
// none, and is a currency all the same, is case I11 of the stores' cases.
func TestCurrenciesInUseAreKnown(t *testing.T) {
	for code := range strings.FieldsSeq("EUR USD GBP NOK SEK CHF JPY KWD CLF XAF XOF XPF XCG SLE VED ZWG MRU") {
		if err := money.CheckCurrency("a", code); err != nil {
			t.Errorf("%s: %v", code, err)
		}
	}
	for what, codes := range map[string]string{
		"never given": "ZZZ ABC QQQ", "replaced": "DEM HRK BGN ANG CUC SLL ZWL VEF", "no money": "XXX XTS XAU XDR XBA", "not so written": "eur Eur EURO EU € 978",
	} {
		for code := range strings.FieldsSeq(codes) {
			err := money.CheckCurrency("advice.cost_currency_code", code)
			if f, _ := fault.As(err); f == nil || f.Reason != "CURRENCY_UNKNOWN" || f.Violations[0].Field != "advice.cost_currency_code" {
				t.Errorf("%s, %s: %v", what, code, err)
			}
		}
	}
	if err := money.CheckCurrency("a", ""); err == nil {
		t.Error("no code at all is taken for one")
	}
}
