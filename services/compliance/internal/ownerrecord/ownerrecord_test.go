package ownerrecord_test

import (
	"testing"

	"coldsection.example/services/compliance/internal/civil"
	"coldsection.example/services/compliance/internal/ownerrecord"
)

func date(t *testing.T, s string) civil.Date {
	t.Helper()
	d, err := civil.Parse(s)
	if err != nil {
		t.Fatal(err)
	}
	return d
}

// M.A.305(a), no later than 30 days: completed on 20 May 2025 means 19 June at the latest (case SGN-12), across a leap day and the year's
// end; 14 CFR 91.407(a)(2): before it flies, on no day in particular (case SGN-11).
func TestWhenAReleaseMustBeEntered(t *testing.T) {
	for _, c := range []struct {
		released, latest, entered string
		faa, easa, inTime         bool
	}{
		{"2025-05-20", "2025-06-19", "2025-06-19", false, true, true},
		{"2025-05-20", "2025-06-19", "2025-06-20", false, true, false},
		{"2024-01-31", "2024-03-01", "2024-03-01", false, true, true},
		{"2025-12-15", "2026-01-14", "2026-01-15", true, true, false},
		{"2025-05-20", "", "2026-05-20", true, false, true},
	} {
		d := ownerrecord.Of(date(t, c.released), c.faa, c.easa)
		if got := d.InTime(date(t, c.entered)); d.Latest.String() != c.latest || got != c.inTime || d.BeforeFlight != c.faa || len(d.Rules) == 0 {
			t.Errorf("%+v: %+v, in time %t", c, d, got)
		}
		if d.InTime(civil.Date{}) {
			t.Errorf("%+v: in time without an entry", c)
		}
	}
}

func TestWhatKeepsAnAircraftDownWhileNothingIsEntered(t *testing.T) {
	released := date(t, "2025-05-20")
	for _, c := range []struct {
		today, want string
		faa, easa   bool
	}{
		{"2025-05-20", ownerrecord.Missing, true, false},
		{"2025-06-19", "", false, true},
		{"2025-06-20", ownerrecord.Late, false, true},
		{"2025-05-21", ownerrecord.Missing, true, true},
	} {
		if got := ownerrecord.Of(released, c.faa, c.easa).Stops(date(t, c.today)); got != c.want {
			t.Errorf("%+v: %q", c, got)
		}
	}
}
