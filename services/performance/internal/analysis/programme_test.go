package analysis

import (
	"strings"
	"testing"
	"time"
)

// The engine was washed at 4,800 h and flies 5 h a day. The programme asks for a wash every 300 h, in the hours that can be true.
func TestTheProgrammeDoesNotBelieveSlippedHours(t *testing.T) {
	washed := time.Date(2026, time.January, 1, 0, 0, 0, 0, time.UTC)
	for name, c := range map[string]struct {
		slips map[int]float64 // what the log says on a day
		day   int             // of the advice
	}{
		"none":                   {nil, 60},
		"a digit more":           {map[int]float64{10: 48500}, 60},
		"a digit turned":         {map[int]float64{30: 5940}, 60},
		"slower than since then": {map[int]float64{30: 5150}, 60}, // 350 h in 30 days may be, 205 h in one may not
		"several running":        {map[int]float64{10: 48500, 11: 48550, 12: 48600}, 60},
		"a digit less":           {map[int]float64{20: 490}, 60},
		"on the day":             {map[int]float64{60: 51000}, 61},
	} {
		tracker := NewTracker(Rules{ProgrammeHours: 300})
		tracker.Event(Event{At: washed, Hours: 4800, Kind: wash})
		for day := 1; day <= 70; day++ {
			r := Reading{At: washed.AddDate(0, 0, day), Hours: 4800 + 5*float64(day)}
			if said, slipped := c.slips[day]; slipped {
				r.Hours = said
			}
			believed := tracker.believes(&r)
			tracker.Last, tracker.LastHours = r.At, r.Hours
			tracker.programme(&r, 0, believed)
		}
		want := washed.AddDate(0, 0, c.day)
		if len(tracker.Advices) != 1 || !tracker.Advices[0].At.Equal(want) || !strings.Contains(tracker.Advices[0].Reasons[0], "the programme asks") {
			t.Errorf("%s: %v, want one of %s", name, tracker.Advices, want.Format(time.DateOnly))
		}
	}
}
