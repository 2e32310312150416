package stock_test

import (
	"math"
	"strings"
	"testing"
	"time"

	"coldsection.example/services/consumables/internal/stock"
	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/quantity"
)

// U01 to U10: the exact definitions of NIST Handbook 44, Appendix C (231 cubic inches, 4.54609 L), checked with GNU units 2.22;
// psi through 6894.757293168 Pa. The codes are those of UN/ECE Recommendation 20.
func TestUnitsAreConvertedExactly(t *testing.T) {
	for _, c := range []struct{ id, value, from, to, want string }{
		{"U01", "1", "GLL", "LTR", "3.785411784"}, {"U02", "0.5", "GLL", "LTR", "1.892705892"}, {"U03", "1", "OZA", "MLT", "29.5735295625"},
		{"U04", "64", "OZA", "GLL", "0.5"}, {"U05", "1", "GLI", "LTR", "4.54609"}, {"U06", "1", "OZI", "MLT", "28.4130625"},
		{"U07", "1", "QTL", "MLT", "946.352946"}, {"U08", "1", "PTL", "MLT", "473.176473"},
		{"U09", "38", "PS", "KPA", "262.00077714"}, {"U10", "90", "PS", "KPA", "620.528156385"},
		{"U12", "1000", "GLL", "LTR", "3785.411784"}, {"U13", "0.5", "GLI", "LTR", "2.273045"},
	} {
		from, err := quantity.Parse(c.value, c.from)
		if err != nil {
			t.Fatalf("%s: %v", c.id, err)
		}
		got, err := from.ConvertRounded(quantity.MustLookup(c.to), len(c.want)-strings.Index(c.want, ".")-1)
		if cmp, _ := got.Cmp(quantity.MustParse(c.want, c.to)); err != nil || cmp != 0 {
			t.Errorf("%s: %s %s is %s (%v), want %s %s", c.id, c.value, c.from, got, err, c.want, c.to)
		}
	}
}

// U12: the ledger uses the exact definition; the factor printed in UN/ECE Recommendation 20 rev. 17 (3.785412) would be 0.216 mL
// too much in 1,000 gallons. U13: half a gallon of the other kind is 20.095 % over the plan (derived from the definitions).
func TestTheLedgerUsesDefinitionsNotPrintedFactors(t *testing.T) {
	thousand := micro(t, "1000", "GLL")
	if printed := micro(t, "3785.412", "L"); printed-thousand != 216 {
		t.Errorf("U12: the printed factor is off by %s L", (printed - thousand).Text())
	}
	planned, wrong := micro(t, "0.5", "GLL"), micro(t, "0.5", "GLI")
	if over := 100 * (float64(wrong)/float64(planned) - 1); math.Abs(over-20.095) > 0.0005 {
		t.Errorf("U13: %v %% over plan", over)
	}
	var sum stock.Micro
	for range 10 {
		sum += micro(t, "0.1", "LTR")
	}
	if sum.Text() != "1" { // U16: in binary floating point the sum is 0.9999999999999999 (IEEE 754, measured)
		t.Errorf("U16: ten tenths are %s", sum.Text())
	}
}

func micro(t *testing.T, value, unit string) stock.Micro {
	t.Helper()
	m, err := stock.FromQuantity(value, unit, "L")
	if err != nil {
		t.Fatal(err)
	}
	return m
}

// U11: an ONZ is an ounce of mass, not of volume (UN/ECE Recommendation 20 rev. 17). U14: BO is deleted there. U15 (rule): pieces
// are not litres without a pack size.
func TestUnitsThatAreNoVolumeAreRefused(t *testing.T) {
	for _, c := range []struct{ id, unit, reason string }{
		{"U11", "ONZ", "UNIT_MISMATCH"}, {"U14", "BO", "UNIT_UNKNOWN"}, {"U15", "EA", "UNIT_MISMATCH"},
	} {
		if _, err := stock.FromQuantity("2.5", c.unit, "L"); !fault.HasReason(err, c.reason) {
			t.Errorf("%s: %v, want %s", c.id, err, c.reason)
		}
		if _, err := stock.FromCount("0", c.unit, "L"); !fault.HasReason(err, c.reason) {
			t.Errorf("%s: nothing of it was counted: %v, want %s", c.id, err, c.reason)
		}
	}
}

// M01 and M03: arithmetic; the ratio of six to one and the batch of half a gallon are common practice, no source. M02: the phrase
// "one to six" read as one part in six makes a batch of 1,893 mL with 315.5 mL of cleaner, which is refused at six to one.
func TestRatios(t *testing.T) {
	for _, c := range []struct {
		id             string
		water, cleaner stock.Micro
		parts          int64
		met            bool
	}{
		{"M01 exact", 1_622_319, 270_387, 6, true}, {"M01 rounded", 1_623_000, 270_000, 6, true},
		{"M02 one in seven", 1_622_571, 270_429, 6, true}, {"M02 one in six", 1_577_500, 315_500, 6, false},
		{"M03", 1_600_000, 400_000, 4, true}, {"M03 at six to one", 1_600_000, 400_000, 6, false},
	} {
		if err := stock.CheckRatio(c.water, c.cleaner, c.parts, 1, "L"); (err == nil) != c.met {
			t.Errorf("%s: %v", c.id, err)
		}
	}
	if total := micro(t, "0.5", "GLL"); total != 1_892_706 || total-270_387 != 1_622_319 {
		t.Errorf("M01: the batch is %s L", total.Text())
	}
}

// Alcohol and water shrink on mixing. V01: Smith, Van Ness & Abbott, Introduction to Chemical Engineering Thermodynamics, the
// antifreeze example. V02: density from Perry's Chemical Engineers' Handbook 1999, table 2-109, as quoted in public; pure
// densities from memory. V03: Lange's Handbook of Chemistry, 15th ed., table 5.13; pure densities from memory.
func TestShrinkageOnMixingIsNoLoss(t *testing.T) {
	for id, c := range map[string]struct {
		in, out stock.Micro
		percent float64
	}{"V01": {2070, 2000, 3.4}, "V02": {11065, 10701, 3.29}, "V03": {1015, 1000, 1.5}} {
		if err := stock.CheckLoss(c.in, c.out, "L"); err != nil {
			t.Errorf("%s: %v", id, err)
		}
		if got := 100 * float64(c.in-c.out) / float64(c.in); math.Abs(got-c.percent) > 0.05 {
			t.Errorf("%s: shrinks by %v %%, want %v", id, got, c.percent)
		}
	}
}

// L02 to L04 (rules of the stores handbook), to the instant: a day ends at its midnight in the zone of the store.
func TestTheEarliestEndBindsToTheInstant(t *testing.T) {
	opened := time.Date(2026, 11, 25, 8, 0, 0, 0, time.UTC)
	for _, c := range []struct {
		id   string
		life stock.Life
		want time.Time
	}{
		{"L02", stock.Life{UseBy: "2027-01-31", Opened: opened, OpenedDays: 90}, day("2027-01-31")},
		{"L03", stock.Life{UseBy: "2027-06-30", Opened: opened, OpenedDays: 90}, day("2027-02-23")},
		{"L04", stock.Life{Mixed: opened, PotHours: 8, Inputs: []time.Time{day("2027-01-31"), day("2026-11-25")}}, opened.Add(8 * time.Hour)},
		{"L04, an input ends first", stock.Life{Mixed: opened, PotHours: 24, Inputs: []time.Time{day("2027-01-31"), day("2026-11-25")}}, day("2026-11-25")},
		{"L04, an input keeps for ever", stock.Life{Mixed: opened, PotHours: 8, Inputs: []time.Time{{}}}, opened.Add(8 * time.Hour)},
	} {
		if end, rule, known, err := c.life.End(time.UTC); err != nil || !known || !end.Equal(c.want) {
			t.Errorf("%s: %v (%s, %v), want %v", c.id, end, rule, err, c.want)
		}
	}
}

func TestCountDifferences(t *testing.T) {
	for _, c := range []struct {
		value string
		want  stock.Micro
	}{{"0", 0}, {"0.000", 0}, {"-0", 0}, {"3.49", 3_490_000}} {
		if got, err := stock.FromCount(c.value, "L", "L"); err != nil || got != c.want {
			t.Errorf("%q: %d (%v)", c.value, got, err)
		}
	}
	if _, err := stock.FromCount("-1", "L", "L"); !fault.HasReason(err, "QUANTITY_NOT_POSITIVE") {
		t.Errorf("less than nothing: %v", err)
	}
	if stock.CountPostings("l", "bin", "books", 0) != nil {
		t.Error("no difference has postings")
	}
	// T09: 25 mL missed leave the place.
	missed := stock.CountPostings("l", "bin", "books", -25)
	if !stock.Balanced(missed) || missed[0] != (stock.Posting{Lot: "l", Location: "books", Amount: 25}) || missed[1].Amount != -25 {
		t.Errorf("missed: %v", missed)
	}
}
