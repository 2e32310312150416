package life_test

import (
	"math/big"
	"strconv"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"coldsection.example/services/compliance/internal/casestest"
	"coldsection.example/services/compliance/internal/life"
)

// The rows LLP-01 to LLP-11; the generic form of starts and flights is from memory, as the table says, and each factor is data.
func TestCases(t *testing.T) {
	if covered := casestest.Run(t, casestest.Checks{"llp": llp}, nil); covered != 11 {
		t.Errorf("covers %d rows", covered)
	}
}

func number(s string) int64 {
	n, _ := strconv.ParseInt(s, 10, 64)
	return n
}

func factor(t *testing.T, s string) *big.Rat {
	t.Helper()
	r, ok := life.Factor(s)
	if !ok {
		t.Fatalf("%q is no factor", s)
	}
	return r
}

func equal(t *testing.T, what string, got, want any) {
	t.Helper()
	if got != want {
		t.Errorf("%s is %v, want %v", what, got, want)
	}
}

func llp(t *testing.T, c *casestest.Row) {
	t.Helper()
	switch {
	case c.Has("hist"):
		history(t, c)
	case c.Has("life_fraction"):
		fractions(t, c)
	case c.Has("csn"):
		s := life.Count([]life.Use{{Cycles: number(c.Given["csn"]), Limit: logged(number(c.Given["limit"]))}}, logged(number(c.Given["limit"])))
		equal(t, "left", s.Left, number(c.Want("remaining")))
		equal(t, "due", s.AtEnd, c.Want("status") == "DUE")
		equal(t, "may operate", !s.Over && !s.AtEnd, c.Want("may_operate") == "true")
	case c.Has("segment1"):
		segments(t, c)
	default:
		one(t, c)
	}
}

func logged(cycles int64) life.Limit {
	return life.Limit{Formula: life.LoggedCycles, FlightCount: big.NewRat(1, 1), Cycles: cycles}
}

func one(t *testing.T, c *casestest.Row) {
	t.Helper()
	limit := life.Limit{Formula: life.StartsAndFlights, Abbreviated: factor(t, c.Given["acf"]), FlightCount: factor(t, c.Given["fcf"]), Cycles: number(c.Given["limit"])}
	s := life.Count([]life.Use{{Starts: number(c.Given["starts"]), Flights: number(c.Given["flights"]), Limit: limit}}, limit)
	equal(t, "exact", s.Exact.FloatString(2), c.Want("total_exact"))
	equal(t, "used", s.Used, number(c.Want("total_used")))
	equal(t, "left", s.Left, number(c.Want("remaining")))
	if flag := c.Want("flag"); flag != "" || s.StartsOnly {
		equal(t, "starts without flight", s.StartsOnly, flag == "starts_without_flight")
	}
}

// values reads "starts:800,flights:1000,acf:4,fcf:1.0".
func values(s string) map[string]string {
	m := map[string]string{}
	for p := range strings.SplitSeq(s, ",") {
		k, v, _ := strings.Cut(p, ":")
		m[k] = v
	}
	return m
}

func segments(t *testing.T, c *casestest.Row) {
	t.Helper()
	var uses []life.Use
	limit := number(c.Given["limit"])
	for _, key := range []string{"segment1", "segment2"} {
		v := values(c.Given[key])
		u := life.Use{Starts: number(v["starts"]), Flights: number(v["flights"]), Limit: life.Limit{
			Formula: life.StartsAndFlights, Abbreviated: factor(t, v["acf"]), FlightCount: factor(t, v["fcf"]), Cycles: limit,
		}}
		n, _ := u.Counted()
		equal(t, key, n.FloatString(2), c.Want(key))
		uses = append(uses, u)
	}
	s := life.Count(uses, uses[1].Limit)
	equal(t, "used", s.Used, number(c.Want("total_used")))
	equal(t, "left", s.Left, number(c.Want("remaining")))
}

func fractions(t *testing.T, c *casestest.Row) {
	t.Helper()
	var uses []life.Use
	fraction := new(big.Rat)
	for _, key := range []string{"seg1", "seg2"} {
		v := values(c.Given[key])
		uses = append(uses, life.Use{Cycles: number(v["cycles"]), Limit: logged(number(v["limit"]))})
		fraction.Add(fraction, big.NewRat(number(v["cycles"]), number(v["limit"])))
	}
	now := logged(number(c.Given["on_limit"]))
	now.Prorated = true
	s := life.Count(uses, now)
	want, _ := new(big.Rat).SetString(c.Want("fraction_used"))
	equal(t, "fraction", fraction.Cmp(want), 0)
	equal(t, "left", s.Left, number(c.Want("remaining")))
	if !strings.Contains(strings.Join(s.Lines, "\n"), "(1 - 0.4) x 15000 = 9000") {
		t.Errorf("%q", s.Lines)
	}
}

func history(t *testing.T, c *casestest.Row) {
	t.Helper()
	var stays []life.Stay
	now := number(c.Given["csn_now"])
	for s := range strings.SplitSeq(c.Given["hist"], "|") {
		v := values(s)
		stay := life.Stay{On: number(v["on"]), Off: now}
		if v["off"] != "now" {
			stay.Off = number(v["off"])
		}
		stays = append(stays, stay)
	}
	gap := life.Gap(stays, now)
	equal(t, "traceable", gap == 0, c.Want("traceable") == "true")
	equal(t, "gap", gap, number(c.Want("gap")))
	equal(t, "installable", gap == 0, c.Want("installable") == "true")
}

func TestTheMostRestrictiveLimitHoldsWhereNothingIsProrated(t *testing.T) {
	s := life.Count([]life.Use{{Cycles: 4000, Limit: logged(20000)}, {Cycles: 3000, Limit: logged(15000)}}, logged(20000))
	if s.Limit != 15000 || s.Left != 8000 {
		t.Errorf("%+v", s)
	}
	hours := logged(20000)
	hours.Seconds = 100
	if s := life.Count([]life.Use{{Cycles: 1, Seconds: 101, Limit: hours}}, hours); !s.Over || s.SecondsLeft != -1 {
		t.Errorf("a limit in hours binds first: %+v", s)
	}
}

// R19. Used and left add up to the limit; a start more, or a flight more, never lowers the count.
func TestGroundStartsNeverReduceTheCount(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		abbreviated, _ := life.Factor(rapid.SampledFrom([]string{"1", "3", "4", "2.5", "10"}).Draw(t, "acf"))
		count, _ := life.Factor(rapid.SampledFrom([]string{"", "1.2", "0.9"}).Draw(t, "fcf"))
		limit := life.Limit{Formula: life.StartsAndFlights, Abbreviated: abbreviated, FlightCount: count, Cycles: 20000}
		use := life.Use{Starts: rapid.Int64Range(0, 3000).Draw(t, "starts"), Flights: rapid.Int64Range(0, 3000).Draw(t, "flights"), Limit: limit}
		before := life.Count([]life.Use{use}, limit)
		if before.Used+before.Left != limit.Cycles || before.Exact.Cmp(big.NewRat(before.Used, 1)) > 0 || before.Exact.Cmp(big.NewRat(before.Used-1, 1)) <= 0 {
			t.Fatalf("%+v", before)
		}
		start, flight := use, use
		start.Starts++
		flight.Flights++
		for _, more := range []life.Use{start, flight} {
			if after := life.Count([]life.Use{more}, limit); after.Exact.Cmp(before.Exact) < 0 {
				t.Fatalf("%v counts %s, less than %v with %s", more, after.Exact, use, before.Exact)
			}
		}
	})
}

func TestFactorsAreDecimalsAboveZero(t *testing.T) {
	for s, want := range map[string]bool{"": true, "4": true, "2.5": true, "0": false, "-1": false, "1/3": false, "1e3": false, "x": false, "0x4": false} {
		if _, ok := life.Factor(s); ok != want {
			t.Errorf("%q: %t", s, ok)
		}
	}
}

// Flights to come count as whole cycles, as whether they have a start of their own is not known before: what is left, over the factor, rounded down.
func TestFlightsAheadAreWholeCycles(t *testing.T) {
	for _, c := range []struct {
		left   int64
		factor string
		want   int64
	}{{100, "", 100}, {100, "2", 50}, {100, "1.5", 66}, {1, "2", 0}, {100, "0.5", 200}, {0, "3", 0}, {-3, "2", -2}} {
		factor, ok := life.Factor(c.factor)
		if got := (life.Status{Left: c.left}).Ahead(life.Limit{FlightCount: factor}); !ok || got != c.want {
			t.Errorf("%d cycles at %q: %d flights, want %d", c.left, c.factor, got, c.want)
		}
	}
}

// A life that is not prorated counts against the most restrictive limit that the part was ever used under, in cycles and in hours, whichever way
// round they come (the rule of Count); a prorated one keeps the limit that holds now. A part that ends with both limits open is not at its end.
func TestTheMostRestrictiveLimitHolds(t *testing.T) {
	limit := func(cycles, seconds int64, prorated bool) life.Limit {
		return life.Limit{Formula: life.LoggedCycles, FlightCount: big.NewRat(1, 1), Cycles: cycles, Seconds: seconds, Prorated: prorated, Document: "D1"}
	}
	use := func(cycles, seconds int64, l life.Limit) life.Use {
		return life.Use{Where: "E1", Cycles: cycles, Seconds: seconds, Limit: l}
	}
	for name, c := range map[string]struct {
		uses             []life.Use
		now              life.Limit
		limit, left      int64
		secondsLeft      int64
		over, atEnd      bool
		cycleLim, hourLm bool
	}{
		"tighter then": {uses: []life.Use{use(100, 0, limit(8000, 0, false))}, now: limit(10000, 0, false), limit: 8000, left: 7900, cycleLim: true},
		"tighter now":  {uses: []life.Use{use(100, 0, limit(10000, 0, false))}, now: limit(8000, 0, false), limit: 8000, left: 7900, cycleLim: true},
		"tightest between": {
			uses: []life.Use{use(1, 0, limit(9000, 0, false)), use(1, 0, limit(7000, 0, false)), use(1, 0, limit(0, 0, false))},
			now:  limit(8000, 0, false), limit: 7000, left: 6997, cycleLim: true,
		},
		"none now":                 {uses: []life.Use{use(100, 0, limit(8000, 0, false))}, now: limit(0, 0, false), limit: 8000, left: 7900, cycleLim: true},
		"none then":                {uses: []life.Use{use(100, 0, limit(0, 0, false))}, now: limit(8000, 0, false), limit: 8000, left: 7900, cycleLim: true},
		"hours, tighter then":      {uses: []life.Use{use(0, 3600, limit(0, 7200, false))}, now: limit(0, 9000, false), secondsLeft: 3600, hourLm: true},
		"hours, at their end":      {uses: []life.Use{use(0, 7200, limit(0, 7200, false))}, now: limit(0, 7200, false), atEnd: true, hourLm: true},
		"hours, past":              {uses: []life.Use{use(0, 7201, limit(0, 7200, false))}, now: limit(0, 7200, false), secondsLeft: -1, over: true, hourLm: true},
		"cycles at the end":        {uses: []life.Use{use(5, 0, limit(5, 0, false))}, now: limit(5, 0, false), limit: 5, atEnd: true, cycleLim: true},
		"cycles out, hours left":   {uses: []life.Use{use(6, 10, limit(5, 20, false))}, now: limit(5, 20, false), limit: 5, left: -1, secondsLeft: 10, over: true, cycleLim: true, hourLm: true},
		"prorated keeps the new":   {uses: []life.Use{use(4000, 0, limit(8000, 0, true))}, now: limit(10000, 0, true), limit: 10000, left: 5000, cycleLim: true},
		"no limit says nothing":    {uses: []life.Use{use(100, 3600, limit(0, 0, false))}, now: limit(0, 0, false)},
		"one of two limits at end": {uses: []life.Use{use(1, 20, limit(5, 20, false))}, now: limit(5, 20, false), limit: 5, left: 4, atEnd: true, cycleLim: true, hourLm: true},
	} {
		s := life.Count(c.uses, c.now)
		if s.Limit != c.limit || s.Left != c.left || s.SecondsLeft != c.secondsLeft || s.Over != c.over || s.AtEnd != c.atEnd || s.CycleLim != c.cycleLim || s.HourLim != c.hourLm {
			t.Errorf("%s: %+v, want %+v", name, s, c)
		}
		for i := range c.uses {
			if len(s.Lines) <= i || !strings.HasPrefix(s.Lines[i], "E1: 1 x ") || !strings.HasSuffix(s.Lines[i], "(D1)") {
				t.Errorf("%s: use %d is not in the arithmetic: %q", name, i, s.Lines)
			}
		}
	}
}
