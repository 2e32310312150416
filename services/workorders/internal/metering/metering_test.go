package metering_test

import (
	"strings"
	"testing"

	"pgregory.net/rapid"

	"coldsection.example/services/workorders/internal/metering"
)

const hour = 3600

func TestCountersAreHeldAgainstTheRecord(t *testing.T) {
	record := metering.Counters{Seconds: 5230 * hour, Cycles: 4100, Starts: 4300}
	for name, c := range map[string]struct {
		read    metering.Counters
		days    int64
		undated bool
		want    string
	}{
		"as the record":                {read: record, days: 44},
		"flown since":                  {read: metering.Counters{Seconds: 5400 * hour, Cycles: 4200, Starts: 4400}, days: 44},
		"a wash before today's flight": {read: metering.Counters{Seconds: 5224 * hour, Cycles: 4098, Starts: 4298}},
		"a sheet of three days ago":    {read: metering.Counters{Seconds: 5200 * hour, Cycles: 4090, Starts: 4290}, days: -3},
		"minutes instead of hours":     {read: metering.Counters{Seconds: 99, Cycles: 4100, Starts: 4300}, days: 44, want: "0:01 of hours are fewer than the 5230:00 of the record"},
		"a digit too many": {
			read: metering.Counters{Seconds: 52300 * hour, Cycles: 4100, Starts: 4300}, days: 44,
			want: "52300:00 of hours are more than the 5230:00 of the record and 45 days since allow",
		},
		"lower than weeks ago":              {read: metering.Counters{Seconds: 5229 * hour, Cycles: 4100, Starts: 4300}, days: 44, want: "5229:00 of hours are fewer"},
		"cycles for starts":                 {read: metering.Counters{Seconds: 5230 * hour, Cycles: 4300, Starts: 3800}, days: 2, want: "3800 of starts are fewer than the 4300"},
		"a day unknown, far too low":        {read: metering.Counters{Seconds: 99, Cycles: 4100, Starts: 4300}, undated: true, want: "fewer"},
		"a day unknown, nothing to hold it": {read: metering.Counters{Seconds: 9000 * hour, Cycles: 9000, Starts: 9000}, undated: true},
	} {
		got := metering.Check(c.read, metering.Known{Counters: record, Days: c.days, Undated: c.undated})
		if (got == "") != (c.want == "") || !strings.Contains(got, c.want) {
			t.Errorf("%s: %q, want %q", name, got, c.want)
		}
	}
}

// Nothing is held against a record that nobody entered, nor against a counter that was left out of it; 0 h of a new engine are held like any others.
func TestWhatTheRecordSays(t *testing.T) {
	for name, c := range map[string]struct {
		known  metering.Known
		has    [3]bool // hours, cycles, starts
		read   metering.Counters
		refuse string
	}{
		"nobody entered them": {known: metering.Known{Unrecorded: true}, read: metering.Counters{Seconds: 9000 * hour, Cycles: 9000}},
		"new, as the record":  {has: [3]bool{true, true, true}},
		"new, a run since":    {known: metering.Known{Days: 3}, has: [3]bool{true, true, true}, read: metering.Counters{Seconds: 12 * hour, Cycles: 2, Starts: 9}},
		"new, and not likely": {has: [3]bool{true, true, true}, read: metering.Counters{Seconds: 25 * hour}, refuse: "25:00 of hours are more than the 0:00"},
		"new, many cycles":    {has: [3]bool{true, true, true}, read: metering.Counters{Cycles: 289}, refuse: "289 of cycles are more than the 0"},
		"new, day unknown":    {known: metering.Known{Undated: true}, has: [3]bool{true, true, true}, read: metering.Counters{Seconds: 9000 * hour}},
		"cycles left out": {
			known: metering.Known{Counters: metering.Counters{Seconds: 24*hour + 1}}, has: [3]bool{true, false, false}, read: metering.Counters{Seconds: 25 * hour, Cycles: 9000},
		},
		"hours left out": {
			known: metering.Known{Counters: metering.Counters{Cycles: 4100, Starts: 4200}}, has: [3]bool{false, true, true},
			read: metering.Counters{Seconds: 9000 * hour, Cycles: 4100, Starts: 4200},
		},
	} {
		hours, cycles, starts := c.known.Has()
		if got := [3]bool{hours, cycles, starts}; got != c.has {
			t.Errorf("%s: it has %v, want %v", name, got, c.has)
		}
		if got := metering.Check(c.read, c.known); (got == "") != (c.refuse == "") || !strings.Contains(got, c.refuse) {
			t.Errorf("%s: %q, want %q", name, got, c.refuse)
		}
	}
}

// What an engine really flew between two days is taken, whatever it was; a day more or less than a day has is not.
func TestWhatCanBeFlownIsTaken(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		days := rapid.Int64Range(1, 400).Draw(t, "days")
		record := rapid.Int64Range(hour, 40000*hour).Draw(t, "record")
		flown := rapid.Int64Range(0, days*24*hour).Draw(t, "flown")
		known := metering.Known{Counters: metering.Counters{Seconds: record}, Days: days}
		if got := metering.Check(metering.Counters{Seconds: record + flown}, known); got != "" {
			t.Fatal(got)
		}
		for _, wrong := range []int64{record - 1, record + (days+1)*24*hour + 1} {
			if metering.Check(metering.Counters{Seconds: wrong}, known) == "" {
				t.Fatalf("%d s are taken after %d s and %d days", wrong, record, days)
			}
		}
	})
}

func TestNoCounterFallsDuringWork(t *testing.T) {
	start := metering.Counters{Seconds: 100 * hour, Cycles: 50, Starts: 60}
	for want, end := range map[string]metering.Counters{
		"": start, "99:59 of hours at the end are fewer than the 100:00 at the beginning": {Seconds: 100*hour - 1, Cycles: 50, Starts: 60},
		"49 of cycles": {Seconds: 101 * hour, Cycles: 49, Starts: 61}, "59 of starts": {Seconds: 101 * hour, Cycles: 51, Starts: 59},
	} {
		if got := metering.Falls(start, end); !strings.Contains(got, want) || (want == "") != (got == "") {
			t.Errorf("%v: %q, want %q", end, got, want)
		}
	}
}

// The bounds belong to what is taken: a day adds 24 h, 288 cycles and 288 starts and not one more (the package's own rule), back as forward.
func TestTheBoundsBelongToWhatIsTaken(t *testing.T) {
	known := metering.Known{Counters: metering.Counters{Seconds: 1000 * hour, Cycles: 1000, Starts: 1000}, Days: 1}
	back := known
	back.Days = -1
	for _, c := range []struct {
		name  string
		known metering.Known
		read  metering.Counters
		want  string
	}{
		{"the most", known, metering.Counters{Seconds: 1048 * hour, Cycles: 1576, Starts: 1576}, ""},
		{"a second more", known, metering.Counters{Seconds: 1048*hour + 1, Cycles: 1576, Starts: 1576}, "1048:00 of hours are more than the 1000:00 of the record and 2 days since allow"},
		{"a cycle more", known, metering.Counters{Seconds: 1048 * hour, Cycles: 1577, Starts: 1576}, "1577 of cycles are more than the 1000 of the record and 2 days since allow"},
		{"a start more", known, metering.Counters{Seconds: 1048 * hour, Cycles: 1576, Starts: 1577}, "1577 of starts are more than the 1000 of the record and 2 days since allow"},
		{"the least", back, metering.Counters{Seconds: 952 * hour, Cycles: 424, Starts: 424}, ""},
		{"a second less", back, metering.Counters{Seconds: 952*hour - 1, Cycles: 424, Starts: 424}, "951:59 of hours are fewer than the 1000:00 of the record"},
		{"a cycle less", back, metering.Counters{Seconds: 952 * hour, Cycles: 423, Starts: 424}, "423 of cycles are fewer than the 1000 of the record"},
		{
			"more, of a sheet before the record", back, metering.Counters{Seconds: 1024*hour + 1, Cycles: 424, Starts: 424},
			"1024:00 of hours are more than the 1000:00 of the record and 1 days since allow",
		},
	} {
		if got := metering.Check(c.read, c.known); got != c.want {
			t.Errorf("%s: %q, want %q", c.name, got, c.want)
		}
	}
	for seconds, want := range map[int64]bool{24 * hour: true, 24*hour + 1: false} {
		if _, cycles, starts := (metering.Known{Counters: metering.Counters{Seconds: seconds}}).Has(); cycles != want || starts != want {
			t.Errorf("0 cycles beside %d s are said: %t, %t", seconds, cycles, starts)
		}
	}
}
