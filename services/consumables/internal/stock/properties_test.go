package stock_test

import (
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"coldsection.example/services/consumables/internal/stock"
)

// candidates draws lots of every state and life around an instant.
func candidates(t *rapid.T, at time.Time) []stock.Candidate {
	n := rapid.IntRange(0, 8).Draw(t, "lots")
	all := make([]stock.Candidate, n)
	for i := range all {
		c := stock.Candidate{
			Lot: "lots/" + string(rune('a'+i)), State: rapid.SampledFrom([]string{"USABLE", "USABLE", "USABLE", "HELD", "RECALLED", "EXPIRED"}).Draw(t, "state"),
			Known: rapid.Bool().Draw(t, "known"), Opened: rapid.Bool().Draw(t, "opened"), Available: stock.Micro(rapid.Int64Range(0, 20).Draw(t, "there")),
			Received: at.Add(-time.Duration(rapid.IntRange(1, 3).Draw(t, "received")) * time.Hour),
		}
		if days := rapid.IntRange(-2, 3).Draw(t, "days"); c.Known && days != 3 {
			c.Expire = at.AddDate(0, 0, days)
		}
		if rapid.IntRange(0, 5).Draw(t, "tested") == 0 {
			c.Untested = "Its water was not tested."
		}
		all[i] = c
	}
	return all
}

// Whatever there is: the need is met or what is missing is said; every lot that holds anything is taken or passed over with a reason that names
// it; nothing that may not be used is taken; and nothing that ends earlier, or was opened and ends with it, is left for what was taken.
func TestTheChoiceExplainsEveryLot(t *testing.T) {
	at := time.Date(2026, 11, 25, 8, 0, 0, 0, time.UTC)
	rapid.Check(t, func(t *rapid.T) {
		all := candidates(t, at)
		need := stock.Micro(rapid.Int64Range(1, 60).Draw(t, "need"))
		picks, skips, missing := stock.Choose(all, need, at)
		said, taken := map[string]int{}, stock.Micro(0)
		for i, p := range picks {
			said[p.Lot]++
			taken += p.Amount
			if reason, _ := stock.Refuse(p.Candidate, at); reason != "" || p.Amount <= 0 || p.Amount > p.Available || p.Amount < p.Available && i < len(picks)-1 {
				t.Fatalf("%d of %+v taken (%s)", p.Amount, p.Candidate, reason)
			}
			if i > 0 && sooner(p.Candidate, picks[i-1].Candidate) {
				t.Fatalf("%s before %s", picks[i-1].Lot, p.Lot)
			}
		}
		if taken+missing != need {
			t.Fatalf("%d taken and %d missing of %d", taken, missing, need)
		}
		for _, s := range skips {
			said[s.Lot]++
			if s.Reason == "" || !strings.Contains(s.Why, s.Lot) {
				t.Fatalf("passed over without a reason: %+v", s)
			}
		}
		for _, c := range all {
			reason, _ := stock.Refuse(c, at)
			if want := reason != "" || c.Available > 0; want != (said[c.Lot] == 1) {
				t.Fatalf("%+v is told of %d times", c, said[c.Lot])
			}
			for _, p := range picks {
				if left := said[c.Lot] == 1 && reason == "" && missing > 0 && c.Lot != p.Lot && !picked(picks, c.Lot); left {
					t.Fatalf("%s is left while %d are missing", c.Lot, missing)
				}
				if reason == "" && c.Available > 0 && !picked(picks, c.Lot) && sooner(c, p.Candidate) {
					t.Fatalf("%s was passed over for %s", c.Lot, p.Lot)
				}
			}
		}
	})
}

// sooner reports whether one lot is to be taken before another: it ends earlier, or with it and is open.
func sooner(a, b stock.Candidate) bool {
	forever := time.Date(9999, 1, 1, 0, 0, 0, 0, time.UTC)
	ends := func(c stock.Candidate) time.Time {
		if c.Expire.IsZero() {
			return forever
		}
		return c.Expire
	}
	return ends(a).Before(ends(b)) || ends(a).Equal(ends(b)) && a.Opened && !b.Opened
}

func picked(picks []stock.Pick, lot string) bool {
	for _, p := range picks {
		if p.Lot == lot {
			return true
		}
	}
	return false
}

// The last usable day counts whole in the store's zone, and not a microsecond of the next: also where clocks change at midnight, so that the
// next day has no first hour (Cairo, Beirut, Santiago) or has it twice (Havana). Zones: the tz database.
func TestTheLastDayIsUsableToItsEndAndNoLonger(t *testing.T) {
	names := []string{
		"UTC", "Africa/Cairo", "Asia/Beirut", "America/Santiago", "America/Havana", "Asia/Tokyo", "Pacific/Kiritimati", "Pacific/Pago_Pago",
		"Asia/Kathmandu", "Europe/Oslo", "America/St_Johns",
	}
	rapid.Check(t, func(t *rapid.T) {
		zone, err := time.LoadLocation(rapid.SampledFrom(names).Draw(t, "zone"))
		if err != nil {
			t.Fatal(err)
		}
		day := time.Date(2015, 1, 1+rapid.IntRange(0, 20*365).Draw(t, "day"), 0, 0, 0, 0, time.UTC)
		lastDayIs(t, zone, day.Format(time.DateOnly))
	})
}

// The changes at midnight themselves, which a draw seldom meets.
func TestTheLastDayBesideAChangeOfTheClock(t *testing.T) {
	for _, c := range [][2]string{
		{"Africa/Cairo", "2026-04-23"}, {"Africa/Cairo", "2026-04-24"}, {"Africa/Cairo", "2026-10-29"}, {"Asia/Beirut", "2026-03-28"}, {"Asia/Beirut", "2026-03-29"},
		{"America/Santiago", "2026-09-05"}, {"America/Santiago", "2026-09-06"}, {"America/Havana", "2026-10-31"}, {"America/Havana", "2026-11-01"},
		{"America/Havana", "2026-03-07"}, {"America/Havana", "2026-03-08"}, {"Europe/Oslo", "2026-10-25"},
	} {
		zone, err := time.LoadLocation(c[0])
		if err != nil {
			t.Fatal(err)
		}
		lastDayIs(t, zone, c[1])
	}
}

// lastDayIs checks that a lot may be used to the end of a day and no longer.
func lastDayIs(t rapid.TB, zone *time.Location, day string) {
	end, _, known, err := stock.Life{UseBy: day}.End(zone)
	if err != nil || !known {
		t.Fatalf("%s in %s: %v", day, zone, err)
	}
	after := end.Add(time.Microsecond)
	if got, next := end.In(zone).Format(time.DateOnly), after.In(zone).Format(time.DateOnly); got != day || next <= day {
		t.Fatalf("%s in %s ends %s, followed by %s", day, zone, end.In(zone), after.In(zone))
	}
	lot := stock.Candidate{Lot: "lots/a", State: "USABLE", Known: true, Expire: end}
	last, _ := stock.Refuse(lot, end)
	late, _ := stock.Refuse(lot, after)
	if last != "" || late != "LOT_EXPIRED" {
		t.Fatalf("%s in %s: %q at the end, %q after it", day, zone, last, late)
	}
}

// Whatever is typed for a code: it is refused, or it is the code of a lot, and reading it again gives the same.
func FuzzReadShortCode(f *testing.F) {
	for _, seed := range []string{
		stock.ShortCode(0), strings.ToLower(stock.ShortCode(7919)), " " + stock.ShortCode(1) + "\t", stock.ShortCode(594_823_320), "", "2222222", "222222",
		"22O2222", "ıııı", "\x00234567",
	} {
		f.Add(seed)
	}
	f.Fuzz(func(t *testing.T, typed string) {
		code, err := stock.ReadShortCode(typed)
		if err != nil {
			return
		}
		if again, err := stock.ReadShortCode(code); len(code) != stock.ShortCodeLength || !stock.ShortCodeValid(code) || err != nil || again != code {
			t.Errorf("%q reads as %q, and that as %q (%v)", typed, code, again, err)
		}
	})
}
