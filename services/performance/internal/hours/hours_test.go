package hours

import (
	"slices"
	"testing"
	"time"

	"pgregory.net/rapid"
)

var begin = time.Date(2026, time.January, 1, 0, 0, 0, 0, time.UTC)

// days are hours at noon of one day after the other.
func days(hours ...float64) (all []At) {
	for i, h := range hours {
		all = append(all, At{begin.AddDate(0, 0, i), h})
	}
	return all
}

func TestWhichHoursCanBeTrue(t *testing.T) {
	for name, c := range map[string]struct {
		all  []At
		want []bool
	}{
		"nothing":               {nil, []bool{}},
		"none given":            {days(0, 0), []bool{false, false}},
		"one":                   {days(100), []bool{true}},
		"flown and stood":       {days(100, 105.5, 105.5, 120), []bool{true, true, true, true}},
		"a slipped digit":       {days(4900, 4905, 49070, 4909), []bool{true, true, false, true}},
		"at the end":            {days(4900, 4905, 49070), []bool{true, true, false}},
		"at the beginning":      {days(49070, 4905, 4909), []bool{false, true, true}},
		"a digit left out":      {days(4900, 490, 4905), []bool{true, false, true}},
		"between without hours": {days(4900, 0, 4905), []bool{true, false, true}},
		"faster than the clock": {days(100, 110, 140, 120), []bool{true, true, false, true}},
		"round the clock":       {days(100, 124, 148.05), []bool{true, true, true}}, // within the rounding of one place
		"two that contradict":   {days(100, 90), []bool{true, false}},
		"absurd":                {days(-5, 1e9, 100), []bool{false, false, true}},
	} {
		if got := Credible(c.all); !slices.Equal(got, c.want) {
			t.Errorf("%s: %v, want %v", name, got, c.want)
		}
	}
}

// Whatever a fifth of the log says, what is believed can be true together, and it is no fewer than what is true.
func TestWhatIsBelievedCanBeTrue(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(1, 60).Draw(t, "n")
		now, at, right := 4000.0, begin, 0
		all := make([]At, n)
		for i := range all {
			gone := rapid.Float64Range(0.1, 200).Draw(t, "gone")
			at, now = at.Add(time.Duration(gone*float64(time.Hour))), now+gone*rapid.Float64Range(0, 0.9).Draw(t, "flown")
			all[i] = At{at, now}
			if rapid.IntRange(0, 4).Draw(t, "wrong") == 0 {
				all[i].Hours = rapid.Float64Range(-10, 90000).Draw(t, "says")
			} else {
				right++
			}
		}
		credible, kept := Credible(all), 0
		var before *At
		for i, ok := range credible {
			if !ok {
				continue
			}
			kept++
			if before != nil {
				rise, passed := all[i].Hours-before.Hours, all[i].Time.Sub(before.Time).Hours()
				if rise < -1e-9 && passed > 0 || rise > passed+float64(n)*rounding {
					t.Fatalf("%v after %v", all[i], *before)
				}
			}
			before = &all[i]
		}
		if kept < right {
			t.Fatalf("%d believed, %d true", kept, right)
		}
	})
}

func TestHoursNeitherFallNorRiseFasterThanTheClock(t *testing.T) {
	for _, c := range []struct {
		from, passed, to float64
		want             bool
	}{
		{4900, 24, 4905, true}, {4900, 24, 4900, true}, {4900, 24, 4924, true}, {4900, 24, 4924.05, true}, // one place of rounding
		{4900, 24, 4924.2, false}, {4900, 24, 49007, false}, {4900, 2400, 49007, false},
		{4900, 24, 4899.95, true}, {4900, 24, 4899.8, false}, {49007, 24, 4910, false},
		{0, 24, 49007, true}, {4900, 24, 0, true}, {4900, 24, -3, true}, {4900, 24, 1e9, true}, // nothing to hold it against
	} {
		to := At{begin.Add(time.Duration(c.passed * float64(time.Hour))), c.to}
		if got := Together(At{begin, c.from}, to); got != c.want {
			t.Errorf("from %g to %g in %g h: %v", c.from, c.to, c.passed, got)
		}
	}
}

// A log is judged as it is written. What is wrong is not believed, and what comes after it is, at the latest from the second that agree.
func TestALogIsJudgedAsItIsWritten(t *testing.T) {
	for name, c := range map[string]struct {
		all  []At
		want []bool
	}{
		"one":                           {days(100), []bool{true}},
		"flown, stood and rounded":      {days(100, 105.5, 105.45, 120), []bool{true, true, true, true}},
		"none, and none that is shown":  {days(0, 100, 0, 1e9, -4, 105), []bool{false, true, false, false, false, true}},
		"a slipped digit":               {days(4900, 4905, 49070, 4909), []bool{true, true, false, true}},
		"a digit less":                  {days(4900, 490, 4905, 4910), []bool{true, false, true, true}},
		"two slips that disagree":       {days(4900, 49050, 49490, 4915), []bool{true, false, false, true}},
		"at the beginning":              {days(49070, 4905, 4909, 4914), []bool{true, false, true, true}},
		"could be, and was not":         {days(4900, 4924, 4910, 4915, 4920), []bool{true, true, false, true, true}},
		"the counter was exchanged":     {days(4900, 4905, 3, 8, 13), []bool{true, true, false, true, true}},
		"a counter that was ahead":      {days(4900, 5905, 5910, 5915), []bool{true, false, true, true}},
		"as much as the clock, no more": {days(100, 124.05, 149), []bool{true, true, false}},
	} {
		log, got := Log{}, []bool{}
		for _, a := range c.all {
			got = append(got, log.Believe(a))
		}
		if !slices.Equal(got, c.want) {
			t.Errorf("%s: %v, want %v", name, got, c.want)
		}
	}
}

// Whatever single entries say, all true hours but those after the first entries and after a plausible slip are believed: two true ones in a
// row always make the second believed.
func TestTheSecondOfTwoTrueHoursIsBelieved(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		log, now, at, before := Log{}, 4000.0, begin, false
		for range rapid.IntRange(1, 60).Draw(t, "n") {
			gone := rapid.Float64Range(0.1, 200).Draw(t, "gone")
			at, now = at.Add(time.Duration(gone*float64(time.Hour))), now+gone*rapid.Float64Range(0, 0.9).Draw(t, "flown")
			wrong := rapid.IntRange(0, 3).Draw(t, "wrong") == 0
			says := now
			if wrong {
				says = rapid.Float64Range(-10, 90000).Draw(t, "says")
			}
			if believed := log.Believe(At{at, says}); !wrong && before && !believed {
				t.Fatalf("%g h at %s is not believed after %v", says, at, log)
			}
			before = !wrong
		}
	})
}
