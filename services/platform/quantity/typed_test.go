package quantity_test

import (
	"strings"
	"testing"

	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/quantity"
)

// What could be read in two ways, a thousand times apart, is refused with both; every other decimal comma is one.
func TestACommaThatCouldGroupThousandsIsNotGuessedAt(t *testing.T) {
	for text, want := range map[string]string{
		"1,5": "1.5", "0,300": "0.300", "12,3456": "12.3456", "1234,567": "1234.567", "-0,25": "-0.25", "1.234": "1.234", "1234": "1234", "01,234": "1.234",
	} {
		q, err := quantity.Typed(text, "L")
		if err != nil || q.Value().String() != want {
			t.Errorf("%s: %v, %v, want %s", text, q, err, want)
		}
	}
	for _, text := range []string{"1,234", "12,000", "-999,999", "+1,000"} {
		_, err := quantity.Typed(text, "L")
		plain := strings.Replace(text, ",", "", 1)
		if !fault.HasReason(err, "VALUE_AMBIGUOUS") || !strings.Contains(err.Error(), plain) {
			t.Errorf("%s: %v", text, err)
		}
	}
	for _, text := range []string{"1,234,567", "1.234,5", "1,234.5", ",", ""} {
		if _, err := quantity.Typed(text, "L"); !fault.HasReason(err, "VALUE_NOT_A_NUMBER") {
			t.Errorf("%s: %v", text, err)
		}
	}
}
