package analysis

import (
	"math"
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
		"several that agree":     {map[int]float64{10: 48500, 11: 48505, 12: 48510}, 60},
		"a digit less":           {map[int]float64{20: 490}, 60},
		"none on the day":        {map[int]float64{60: 0}, 61},
		"on the day":             {map[int]float64{60: 51000}, 61},
	} {
		tracker := NewTracker(Rules{ProgrammeHours: 300})
		tracker.Event(Event{At: washed, Hours: 4800, Kind: wash})
		for day := 1; day <= 70; day++ {
			r := Reading{At: washed.AddDate(0, 0, day), Hours: 4800 + 5*float64(day)}
			if said, slipped := c.slips[day]; slipped {
				r.Hours = said
			}
			tracker.count(&r)
			tracker.programme(r.At, 0)
		}
		want := washed.AddDate(0, 0, c.day)
		if len(tracker.Advices) != 1 || !tracker.Advices[0].At.Equal(want) || !strings.Contains(tracker.Advices[0].Reasons[0], "the programme asks") {
			t.Errorf("%s: %v, want one of %s", name, tracker.Advices, want.Format(time.DateOnly))
		}
	}
}

// How old the wash is goes by the newest hours that can be true; without its own hours nobody knows.
func TestTheAgeOfAWashDoesNotBelieveSlippedHours(t *testing.T) {
	washed := time.Date(2026, time.January, 1, 0, 0, 0, 0, time.UTC)
	for name, c := range map[string]struct {
		wash float64   // hours at the wash
		log  []float64 // of the days after it
		age  float64
	}{
		"as flown":               {4800, []float64{4805, 4810, 4815}, 15},
		"a digit more":           {4800, []float64{4805, 4810, 48150}, 10},
		"a digit less":           {4800, []float64{4805, 4810, 481}, 10},
		"turned, above the wash": {4800, []float64{4805, 4870, 4815}, 15},
		"none the newest day":    {4800, []float64{4805, 4810, 0}, 10},
		"a wash without hours":   {0, []float64{4805, 4810, 4815}, 0},
		"no hours at all":        {4800, []float64{0, 0}, 0},
		"not flown":              {4800, []float64{4800, 4800}, 0},
		"read off before it":     {4800.05, []float64{4800}, 0},
		"a wash far ahead":       {48000, []float64{4805, 4810}, 0},
	} {
		tracker := NewTracker(Rules{})
		tracker.Event(Event{At: washed.AddDate(0, 0, -9), Hours: 4700, Kind: wash})
		tracker.count(&Reading{At: washed.AddDate(0, 0, -1), Hours: 4799}) // its age is not that of the next wash
		tracker.Event(Event{At: washed, Hours: c.wash, Kind: wash})
		for day, said := range c.log {
			tracker.count(&Reading{At: washed.AddDate(0, 0, day+1), Hours: said})
		}
		var r Result
		if tracker.tell(&r); math.Abs(r.WashAge-c.age) > 1e-9 {
			t.Errorf("%s: %g h, want %g", name, r.WashAge, c.age)
		}
	}
}
