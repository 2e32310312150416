package app

import (
	"testing"

	"google.golang.org/genproto/googleapis/type/date"

	workordersv1 "coldsection.example/proto/coldsection/workorders/v1"
)

// The strictest air since the last rinse governs, also when it is over by now; what ended before the rinse does not count.
func TestTheSaltiestAirSinceTheLastRinse(t *testing.T) {
	on := func(month int32, chloride float64) *workordersv1.Exposure {
		return &workordersv1.Exposure{EffectiveDate: &date.Date{Year: 2026, Month: month, Day: 1}, ChlorideMgM2Day: chloride}
	}
	all := []*workordersv1.Exposure{on(1, 400), on(2, 61), on(4, 2), on(9, 1000)}
	for _, c := range []struct {
		since, day string
		want       float64
	}{
		{"", "2026-05-01", 400}, {"2026-01-15", "2026-05-01", 400}, {"2026-02-01", "2026-05-01", 61}, {"2026-04-02", "2026-05-01", 2}, {"2026-04-02", "2026-09-01", 1000},
	} {
		if got := saltiest(all, c.since, c.day); got.GetChlorideMgM2Day() != c.want {
			t.Errorf("from %s to %s: %v, want %v", c.since, c.day, got, c.want)
		}
	}
	if got := saltiest(all, "", "2025-12-31"); got != nil {
		t.Errorf("before any survey: %v", got)
	}
}
