package deferral_test

import (
	"testing"

	"coldsection.example/services/workorders/internal/deferral"
)

// Cases DEF-01 to DEF-03, and a leap day.
func TestTheDayOfDiscoveryIsNotCounted(t *testing.T) {
	for _, c := range []struct {
		found string
		days  int
		want  string
	}{{"2025-06-10", 3, "2025-06-13"}, {"2025-06-10", 10, "2025-06-20"}, {"2025-06-10", 120, "2025-10-08"}, {"2024-02-28", 3, "2024-03-02"}, {"2025-12-31", 0, "2025-12-31"}} {
		if got, err := deferral.Last(c.found, c.days); got != c.want || err != nil {
			t.Errorf("%s and %d days: %s %v, want %s", c.found, c.days, got, err, c.want)
		}
	}
	if _, err := deferral.Last("", 3); err == nil {
		t.Error("no day, no error")
	}
}
