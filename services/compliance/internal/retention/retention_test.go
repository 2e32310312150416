package retention_test

import (
	"slices"
	"strconv"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"coldsection.example/services/compliance/internal/casestest"
	"coldsection.example/services/compliance/internal/civil"
	"coldsection.example/services/compliance/internal/retention"
)

// Rows RET-01 to RET-08, each with the paragraph that it is from.
func TestCases(t *testing.T) {
	if covered := casestest.Run(t, casestest.Checks{"retention": check}, nil); covered != 8 {
		t.Errorf("covers %d rows", covered)
	}
}

func day(t *testing.T, s string) (d civil.Date) {
	t.Helper()
	if s == "" || s == "none" {
		return d
	}
	d, err := civil.Parse(s)
	if err != nil {
		t.Fatal(err)
	}
	return d
}

func check(t *testing.T, c *casestest.Row) {
	t.Helper()
	rules := []retention.Rule{retention.Rule(c.Given["rule"])}
	if c.Has("regimes") {
		rules = nil
		for r := range strings.SplitSeq(c.Given["regimes"], "|") {
			rules = append(rules, retention.Rule(r))
		}
	}
	released := day(t, c.Given["rts"]+c.Given["crs"]+c.Given["done"]+c.Given["aircraft_sold"])
	got := retention.Keep(rules, released, day(t, c.Given["superseded"]))
	if want := c.Want("retain_through"); want == "with_aircraft" {
		if transfer := c.Want("transfer_on_sale"); strconv.FormatBool(got.WithAircraft) != transfer || !got.Through.IsZero() {
			t.Errorf("%+v, want with the aircraft", got)
		}
		return
	} else if got.Through.String() != want {
		t.Errorf("kept through %s, want %s", got.Through, want)
	}
	if from, want := got.Through.AddDays(1).String(), c.Want("purge_from"); from != want {
		t.Errorf("may go from %s, want %s", from, want)
	}
}

// R26. A rule more never shortens a floor, and what was not superseded has no end where a rule waits for that.
func TestTheLongestFloorHolds(t *testing.T) {
	all := []retention.Rule{retention.ShopFAA, retention.ShopEASA, retention.OwnerFAA}
	rapid.Check(t, func(t *rapid.T) {
		released := civil.Date{Year: 2024, Month: 1, Day: 1}.AddDays(rapid.IntRange(0, 1500).Draw(t, "day"))
		some := rapid.SliceOfN(rapid.SampledFrom(all), 1, 3).Draw(t, "rules")
		before := retention.Keep(some, released, civil.Date{})
		after := retention.Keep(append(some, rapid.SampledFrom(all).Draw(t, "one more")), released, civil.Date{})
		if after.Through.Before(before.Through) || before.Through.Before(released.AddDays(364)) {
			t.Fatalf("%+v became %+v", before, after)
		}
		if open := retention.Keep(append(some, retention.OwnerEASA), released, civil.Date{}); !open.Open || !open.Through.IsZero() {
			t.Fatalf("%+v has an end", open)
		}
	})
}

// Every floor is said with its rule and its day, and the longest that ends is the one that is kept to.
func TestEachFloorIsSaid(t *testing.T) {
	released := civil.Date{Year: 2025, Month: 3, Day: 10}
	got := retention.Keep([]retention.Rule{retention.ShopFAA, retention.OwnerEASA, retention.AircraftFAA, retention.ShopEASA}, released, civil.Date{})
	want := []string{
		string(retention.ShopFAA) + ": through 2027-03-10", string(retention.OwnerEASA) + ": until superseded, and at least through 2028-03-10",
		string(retention.AircraftFAA) + ": with the aircraft", string(retention.ShopEASA) + ": through 2028-03-10",
	}
	if !slices.Equal(got.Lines, want) || !got.Open || !got.WithAircraft || !got.Through.IsZero() {
		t.Errorf("%+v, want the lines %q", got, want)
	}
	for superseded, through := range map[string]string{"2026-01-01": "2028-03-10", "2030-05-05": "2030-05-05"} {
		got := retention.Keep([]retention.Rule{retention.OwnerEASA}, released, day(t, superseded))
		if got.Open || got.WithAircraft || got.Through.String() != through || !slices.Equal(got.Lines, []string{string(retention.OwnerEASA) + ": through " + through}) {
			t.Errorf("superseded on %s: %+v, want through %s", superseded, got, through)
		}
	}
	if got := retention.Keep([]retention.Rule{retention.ShopFAA, retention.ShopEASA}, released, civil.Date{}); got.Open || got.WithAircraft {
		t.Errorf("a shop's floor ends: %+v", got)
	}
}
