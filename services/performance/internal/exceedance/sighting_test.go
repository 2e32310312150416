package exceedance

import (
	"math"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"coldsection.example/services/platform/fault"
)

// Points of the invented chart, read off its zones by hand: A from 805 for 20 s, B from 830 for 3 s, C from 870 at once, all up to
// 600 s and 1,000.
func TestATimedPeakMeetsTheZoneOfItsPoint(t *testing.T) {
	for _, c := range []struct {
		peak, duration float64
		zone           int
		beyond         bool
	}{
		{804, 500, -1, false}, {805, 19, -1, false}, {805, 20, 0, false}, {829, 600, 0, false}, {830, 2.9, -1, false}, {830, 3, 1, false},
		{870, 0, 2, false}, {1000, 600, 2, false}, {1001, 1, 2, true}, {840, 601, 1, true},
	} {
		s, err := chart().Timed(c.peak, c.duration)
		if err != nil || s.Zone != c.zone || s.WorstZone != c.zone || s.Beyond != c.beyond {
			t.Errorf("%g for %g s: %+v, %v", c.peak, c.duration, s, err)
		}
	}
}

func TestAGlimpseMayMeetWhateverReachesDownToIt(t *testing.T) {
	for _, c := range []struct {
		value       float64
		sure, worst int
		unsure      bool
	}{{804, -1, -1, false}, {805, -1, 0, true}, {829.9, -1, 0, true}, {830, -1, 1, true}, {870, 2, 2, false}, {1001, 2, 2, true}} {
		s, err := chart().Glimpsed(c.value)
		if err != nil || s.Zone != c.sure || s.WorstZone != c.worst || s.Unsure() != c.unsure {
			t.Errorf("%g: %+v, %v", c.value, s, err)
		}
		if words := s.Words(chart()); (s.WorstZone != s.Zone) != strings.Contains(words, "may meet") {
			t.Errorf("%g: %s", c.value, words)
		}
	}
}

// A glimpse is never judged milder than the same peak with any duration, and a longer or higher event never milder than a shorter
// or lower one.
func TestNotKnowingIsNeverMilder(t *testing.T) {
	c := chart()
	severity := func(i int) int {
		if i < 0 {
			return 0
		}
		return c.Zones[i].Severity
	}
	rapid.Check(t, func(t *rapid.T) {
		peak, duration := rapid.Float64Range(700, 1000).Draw(t, "peak"), rapid.Float64Range(0, 600).Draw(t, "duration")
		timed, err := c.Timed(peak, duration)
		glimpse, also := c.Glimpsed(peak)
		more, third := c.Timed(math.Min(1000, peak+rapid.Float64Range(0, 50).Draw(t, "higher")), math.Min(600, duration+rapid.Float64Range(0, 50).Draw(t, "longer")))
		if err != nil || also != nil || third != nil {
			t.Fatal(err, also, third)
		}
		if severity(glimpse.WorstZone) < severity(timed.Zone) || severity(glimpse.Zone) > severity(timed.Zone) || severity(more.Zone) < severity(timed.Zone) {
			t.Fatalf("%+v, %+v, %+v", glimpse, timed, more)
		}
	})
}

func TestSightingsThatAreRefused(t *testing.T) {
	c := chart()
	for _, v := range [][2]float64{{math.NaN(), 1}, {math.Inf(1), 1}, {800, -1}, {800, math.NaN()}, {800, math.Inf(1)}} {
		if _, err := c.Timed(v[0], v[1]); !fault.HasReason(err, "TRACE_INVALID") {
			t.Errorf("%v: %v", v, err)
		}
	}
	if _, err := c.Glimpsed(math.NaN()); !fault.HasReason(err, "TRACE_INVALID") {
		t.Error(err)
	}
	if _, err := (&Chart{}).Glimpsed(900); !fault.HasReason(err, "EXCEEDANCE_CHART_INVALID") {
		t.Error(err)
	}
}
