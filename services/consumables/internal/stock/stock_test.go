package stock_test

import (
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"coldsection.example/services/consumables/internal/stock"
	"coldsection.example/services/platform/fault"
)

func day(s string) time.Time {
	t, err := time.Parse("2006-01-02", s)
	if err != nil {
		panic(err)
	}
	return t.AddDate(0, 0, 1).Add(-time.Microsecond)
}

func lot(name, expire string, amount stock.Micro) stock.Candidate {
	return stock.Candidate{Lot: name, State: "USABLE", Expire: day(expire), Known: true, Available: amount}
}

// T10 to T12: expired and held lots are passed over with the reason, earliest end of life first, an opened one first on a
// tie, and the need time counts, not the day of asking.
func TestChoose(t *testing.T) {
	now := time.Date(2026, 11, 25, 12, 0, 0, 0, time.UTC)
	held := lot("D", "2026-12-31", 50)
	held.State = "HELD"
	picks, skips, missing := stock.Choose([]stock.Candidate{lot("A", "2027-03-31", 500), lot("B", "2027-01-31", 100), lot("C", "2026-11-24", 900), held}, 270, now)
	if len(picks) != 2 || picks[0].Lot != "B" || picks[0].Amount != 100 || picks[1].Lot != "A" || picks[1].Amount != 170 || missing != 0 {
		t.Errorf("picks %+v, missing %d", picks, missing)
	}
	if len(skips) != 2 || skips[0].Reason != "LOT_EXPIRED" || skips[1].Reason != "LOT_HELD" {
		t.Errorf("skips %+v", skips)
	}
	opened := lot("B", "2027-01-31", 10)
	opened.Opened = true
	if picks, _, _ := stock.Choose([]stock.Candidate{lot("A", "2027-01-31", 10), opened}, 1, now); picks[0].Lot != "B" {
		t.Errorf("tie: %+v", picks)
	}
	if picks, skips, missing := stock.Choose([]stock.Candidate{lot("A", "2027-01-31", 10)}, 1, day("2027-02-02")); len(picks) != 0 || skips[0].Reason != "LOT_EXPIRED" || missing != 1 {
		t.Errorf("planned after the end of life: %+v", picks)
	}
}

// L02 to L04: the earliest of use-by, opened life, pot life and inputs binds.
func TestEndOfLife(t *testing.T) {
	opened := time.Date(2026, 11, 25, 8, 0, 0, 0, time.UTC)
	for _, c := range []struct {
		id   string
		life stock.Life
		want string
	}{
		{"L02", stock.Life{UseBy: "2027-01-31", Opened: opened, OpenedDays: 90}, "2027-01-31"},
		{"L03", stock.Life{UseBy: "2027-06-30", Opened: opened, OpenedDays: 90}, "2027-02-23"},
		{"L04", stock.Life{Mixed: opened, PotHours: 8, Inputs: []time.Time{day("2027-01-31"), day("2026-11-25")}}, "2026-11-25"},
	} {
		end, rule, known, err := c.life.End(time.UTC)
		if err != nil || !known || end.Format("2006-01-02") != c.want || rule == "" {
			t.Errorf("%s: %v %q %v", c.id, end, rule, err)
		}
	}
	if end, _, _, _ := (stock.Life{Mixed: opened, PotHours: 8}).End(time.UTC); !end.Equal(opened.Add(8 * time.Hour)) {
		t.Errorf("pot life ends %v", end)
	}
	if _, _, known, _ := (stock.Life{}).End(time.UTC); known {
		t.Error("an unknown life is known")
	}
}

// The last day counts in the zone of the store: west of UTC it lasts longer.
func TestUseByDayIsCountedInTheStore(t *testing.T) {
	for zone, want := range map[string]string{"America/Vancouver": "2026-10-31T06:59:59.999999Z", "Asia/Tokyo": "2026-10-30T14:59:59.999999Z"} {
		loc, err := time.LoadLocation(zone)
		if err != nil {
			t.Fatal(err)
		}
		end, _, _, err := stock.Life{UseBy: "2026-10-30"}.End(loc)
		if err != nil || end.Format(time.RFC3339Nano) != want {
			t.Errorf("%s: %s, want %s (%v)", zone, end.Format(time.RFC3339Nano), want, err)
		}
	}
}

func TestQuantities(t *testing.T) {
	for value, want := range map[string]string{"0.300": "0.3", "20": "20", "0.000001": "0.000001"} {
		m, err := stock.FromQuantity(value, "L", "L")
		if err != nil || m.Text() != want {
			t.Errorf("%s: %s (%v)", value, m.Text(), err)
		}
	}
	if m, err := stock.FromQuantity("1", "[gal_us]", "L"); err != nil || m.Text() != "3.785412" {
		t.Errorf("a gallon is %s (%v)", m.Text(), err)
	}
	for value, reason := range map[string]string{"-5": "QUANTITY_NOT_POSITIVE", "0": "QUANTITY_NOT_POSITIVE", "NaN": "VALUE_NOT_A_NUMBER", "0.0000001": "QUANTITY_TOO_FINE"} {
		if _, err := stock.FromQuantity(value, "L", "L"); !fault.HasReason(err, reason) {
			t.Errorf("%s: %v, want %s", value, err, reason)
		}
	}
	if _, err := stock.FromQuantity("1", "kg", "L"); !fault.HasReason(err, "UNIT_MISMATCH") {
		t.Errorf("kilograms of litres: %v", err)
	}
}

// Every wrong character and every swap of neighbours in 200 codes is caught.
func TestShortCodesCatchSlips(t *testing.T) {
	const alphabet = "23456789ABCDEFGHJKMNPQRSTVWXY"
	for n := range int64(200) {
		code := stock.ShortCode(n * 7919)
		if _, err := stock.ReadShortCode(strings.ToLower(code)); err != nil {
			t.Fatalf("%s: %v", code, err)
		}
		for i := range code {
			for _, c := range alphabet {
				if wrong := code[:i] + string(c) + code[i+1:]; wrong != code && stock.ShortCodeValid(wrong) {
					t.Fatalf("%s passes for %s", wrong, code)
				}
			}
			if i > 0 && code[i] != code[i-1] {
				if swapped := code[:i-1] + string(code[i]) + string(code[i-1]) + code[i+1:]; stock.ShortCodeValid(swapped) {
					t.Fatalf("%s passes for %s", swapped, code)
				}
			}
		}
	}
}

func TestMixing(t *testing.T) {
	if err := stock.CheckRatio(1623, 270, 6, 1, "L"); err != nil {
		t.Errorf("half a gallon at six to one: %v", err)
	}
	if err := stock.CheckRatio(1000, 270, 6, 1, "L"); !fault.HasReason(err, "MIX_RATIO_NOT_MET") {
		t.Errorf("too strong: %v", err)
	}
	// 2,070 cm3 of methanol and water make 2,000 (V01): a loss of 3.4 % is plausible, 5 % is not, a gain never.
	for out, ok := range map[stock.Micro]bool{2000: true, 1960: false, 2071: false, 2070: true} {
		if err := stock.CheckLoss(2070, out, "L"); (err == nil) != ok {
			t.Errorf("2070 in, %d out: %v", out, err)
		}
	}
}

func TestBalanced(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		n := stock.Micro(rapid.Int64Range(1, 1e12).Draw(t, "amount"))
		p := []stock.Posting{{"a", "x", -n}, {"a", "y", n}}
		if !stock.Balanced(p) || stock.Balanced(append(p, stock.Posting{Lot: "b", Location: "y", Amount: 1})) || stock.Balanced(p[:1]) {
			t.Fatal("a sum is wrong")
		}
	})
}

// An amount of the base unit takes a short way; the same amount written with more zeros takes the long one, and both agree.
func TestAnAmountIsTheSameHoweverManyZerosItHas(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		text := stock.Micro(rapid.Int64Range(1, 10_000_000*stock.Scale-1).Draw(t, "micro")).Text()
		short, err := stock.FromQuantity(text, "L", "L")
		if !strings.Contains(text, ".") {
			text += "."
		}
		long, longErr := stock.FromQuantity(text+"0000000"[:7-min(6, len(text)-strings.Index(text, ".")-1)], "L", "L")
		if err != nil || longErr != nil || short != long || short.Text() != strings.TrimSuffix(text, ".") {
			t.Fatalf("%s: %d (%v) and %d (%v)", text, short, err, long, longErr)
		}
	})
}

// Each lot balances by itself: what leaves one lot does not become another's.
func TestBalancedLotByLot(t *testing.T) {
	for name, c := range map[string]struct {
		postings []stock.Posting
		want     bool
	}{
		"moved":                    {[]stock.Posting{{"a", "x", -5}, {"a", "y", 5}}, true},
		"two lots, each moved":     {[]stock.Posting{{"a", "x", -5}, {"b", "x", -2}, {"a", "y", 5}, {"b", "y", 2}}, true},
		"out of one into another":  {[]stock.Posting{{"a", "x", -5}, {"b", "x", 5}}, false},
		"mixed through the books":  {[]stock.Posting{{"a", "x", -5}, {"a", "books", 5}, {"b", "books", -5}, {"b", "x", 5}}, true},
		"a millionth is missing":   {[]stock.Posting{{"a", "x", -5}, {"a", "y", 4}}, false},
		"nothing":                  {nil, false},
		"one posting of nothing":   {[]stock.Posting{{"a", "x", 0}}, false},
		"one lot of two unsettled": {[]stock.Posting{{"a", "x", -5}, {"a", "y", 5}, {"b", "y", 1}}, false},
	} {
		if got := stock.Balanced(c.postings); got != c.want {
			t.Errorf("%s: %v", name, got)
		}
	}
}

// Of lots that end together and are both sealed the smaller rest goes first, then what came first, then the name.
func TestChooseBreaksTies(t *testing.T) {
	now := time.Date(2026, 11, 25, 12, 0, 0, 0, time.UTC)
	with := func(name string, amount stock.Micro, received string) stock.Candidate {
		c := lot(name, "2027-01-31", amount)
		c.Received = day(received)
		return c
	}
	for name, c := range map[string]struct {
		lots  []stock.Candidate
		first string
	}{
		"the smaller rest":  {[]stock.Candidate{with("A", 20, "2026-01-01"), with("B", 10, "2026-02-01")}, "B"},
		"the older receipt": {[]stock.Candidate{with("A", 10, "2026-02-01"), with("B", 10, "2026-01-01")}, "B"},
		"the name":          {[]stock.Candidate{with("B", 10, "2026-01-01"), with("A", 10, "2026-01-01")}, "A"},
	} {
		if picks, _, _ := stock.Choose(c.lots, 1, now); len(picks) != 1 || picks[0].Lot != c.first {
			t.Errorf("%s: %+v", name, picks)
		}
	}
}

// Half a millionth and more is rounded up (ISO 80000-1, annex B: to the larger of two that are equally near).
func TestConvertedAmountsAreRoundedHalfUp(t *testing.T) {
	for value, want := range map[string]string{"0.0005": "0.000001", "0.0014": "0.000001", "0.0015": "0.000002", "0.0024999": "0.000002", "0.0025": "0.000003"} {
		if m, err := stock.FromQuantity(value, "mL", "L"); err != nil || m.Text() != want {
			t.Errorf("%s mL: %s L, want %s, %v", value, m.Text(), want, err)
		}
	}
}

// Where a document gives a shelf life in days and one in months, the earlier ends it, whichever that is.
func TestTheEarlierOfTwoShelfLives(t *testing.T) {
	for _, c := range []struct {
		days, months int
		want         string
	}{{30, 12, "2026-02-14"}, {400, 12, "2027-01-15"}, {0, 12, "2027-01-15"}, {30, 0, "2026-02-14"}} {
		end, rule, known, err := stock.Life{Manufactured: "2026-01-15", ShelfDays: c.days, ShelfMonths: c.months}.End(time.UTC)
		if err != nil || !known || end.Format(time.DateOnly) != c.want {
			t.Errorf("%d days, %d months: %v (%s), %v", c.days, c.months, end, rule, err)
		}
	}
}

// The bounds themselves are within: 4 % of loss, and so many thousandths of the cleaner either way.
func TestTheBoundsOfAMixAreWithin(t *testing.T) {
	for out, good := range map[stock.Micro]bool{1000: true, 1001: false, 960: true, 959: false} {
		if err := stock.CheckLoss(1000, out, "L"); (err == nil) != good {
			t.Errorf("1000 in, %d out: %v", out, err)
		}
	}
	for cleaner, good := range map[stock.Micro]bool{1000: true, 1020: true, 1021: false, 980: true, 979: false} {
		if got := stock.NearRatio(6000, cleaner, 6, 1, 20); got != good {
			t.Errorf("6 to 1 within 20 in 1000, %d of cleaner: %v", cleaner, got)
		}
	}
}
