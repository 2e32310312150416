package quantity_test

import (
	"math"
	"math/big"
	"strings"
	"testing"

	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/quantity"
)

// A number is what math/big reads of the same text, or is refused; what is written of it is read again as the same.
func FuzzParse(f *testing.F) {
	for _, text := range []string{
		"0", "-0", "0.300", "1/3", "1e3", "0x10", "1_000", "+1", " 1", ".5", "5.", "-.5", ".", "-", "--1", "1-", "9999999999999999999", "10000000000000000000",
		"0.0000000000000000001", "0.00000000000000000001", "00000000000000000000000000001", "NaN", "Inf", "1,5", "٣", "1.2.3", "-0.0000000000000000000", "18446744073709551616",
	} {
		f.Add(text, "L")
		f.Add(text, "[degF]")
	}
	f.Add(strings.Repeat("0", 400)+"."+strings.Repeat("0", 400), "L")
	f.Add("1", "l")
	f.Fuzz(func(t *testing.T, text, unit string) {
		q, err := quantity.Parse(text, unit)
		if err != nil {
			if refusal, ok := fault.As(err); !ok || refusal.Reason != "VALUE_NOT_A_NUMBER" && refusal.Reason != "VALUE_TOO_LONG" && refusal.Reason != "UNIT_UNKNOWN" {
				t.Fatalf("%q %q: %v", text, unit, err)
			}
			return
		}
		want, ok := new(big.Rat).SetString(text)
		if written := q.Value().String(); !ok || strings.ContainsAny(text, "eEpPxX_/+ ") {
			t.Fatalf("%q is %s", text, written)
		} else if got, _ := new(big.Rat).SetString(written); got.Cmp(want) != 0 || strings.HasPrefix(written, "-0") && want.Sign() == 0 {
			t.Fatalf("%q is %s", text, written)
		}
		again, err := quantity.Parse(q.Value().String(), q.Unit().Code)
		if err != nil {
			t.Fatalf("%q is written %s, which is refused: %v", text, q, err)
		}
		if same, err := again.Cmp(q); err != nil || same != 0 || math.IsInf(q.Canonical(), 0) || math.IsNaN(q.Canonical()) {
			t.Fatalf("%q is written %s, which is %s; canonical %v", text, q, again, q.Canonical())
		}
	})
}
