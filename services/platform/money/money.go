// Package money knows the currencies that prices are stated in.
package money

import (
	_ "embed"
	"strings"
	"sync"

	"coldsection.example/services/platform/fault"
)

//go:embed currencies.txt
var list string

// currencies are the codes of the list, whose head says where it is from.
var currencies = sync.OnceValue(func() map[string]bool {
	codes := map[string]bool{}
	for line := range strings.Lines(list) {
		if strings.HasPrefix(line, "#") {
			continue
		}
		for code := range strings.FieldsSeq(line) {
			codes[code] = true
		}
	}
	return codes
})

// CheckCurrency refuses a code that no currency in use has; field is where it stands in the request. Reason: CURRENCY_UNKNOWN.
func CheckCurrency(field, code string) error {
	if currencies()[code] {
		return nil
	}
	return fault.Invalid(field, "CURRENCY_UNKNOWN",
		"%.10q is no currency that is in use by ISO 4217. Give the three letters of one, such as EUR or USD; of one that was replaced, those of its successor.", code)
}
