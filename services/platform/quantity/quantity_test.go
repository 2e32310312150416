package quantity_test

import (
	"errors"
	"math"
	"strings"
	"testing"

	"github.com/govalues/decimal"
	"pgregory.net/rapid"

	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/quantity"
)

// The exact definitions are those of NIST Handbook 44, Appendix C, and agree with GNU units 2.22 (cases U01 to U05).
func TestConvertExactly(t *testing.T) {
	cases := []struct{ value, from, to, want string }{
		{"1", "GLL", "LTR", "3.785411784"},
		{"0.5", "[gal_us]", "L", "1.892705892"},
		{"1", "OZA", "MLT", "29.5735295625"},
		{"64", "OZA", "GLL", "0.5"},
		{"1", "GLI", "L", "4.54609"},
		{"0.5", "mS/m", "uS/cm", "5"},
		{"212", "[degF]", "Cel", "100"},
		{"0", "K", "Cel", "-273.15"},
		{"0.300", "L", "mL", "300"},
	}
	for _, c := range cases {
		got, err := quantity.MustParse(c.value, c.from).Convert(quantity.MustLookup(c.to))
		if err != nil {
			t.Fatalf("%s %s: %v", c.value, c.from, err)
		}
		if cmp, _ := got.Cmp(quantity.MustParse(c.want, c.to)); cmp != 0 {
			t.Errorf("%s %s = %s, want %s %s", c.value, c.from, got, c.want, c.to)
		}
	}
}

// 90 psi is 620.53 kPa and 38 psi is 262.00 kPa; NIST SP 811 gives 6.894757 kPa for one psi.
func TestCanonicalOfMeasurements(t *testing.T) {
	cases := []struct {
		value, unit string
		want, tol   float64
	}{
		{"1", "[psi]", 6.894757, 5e-7}, {"90", "[psi]", 620.53, 0.005}, {"38", "[psi]", 262.00, 0.005},
		{"29.92126", "[in_i'Hg]", 101.325, 5e-5}, {"1", "[ft_i].[lbf_av]", 1.3558179, 5e-8}, {"-40", "[degF]", -40, 1e-12},
	}
	for _, c := range cases {
		if got := quantity.MustParse(c.value, c.unit).Canonical(); math.Abs(got-c.want) > c.tol {
			t.Errorf("%s %s = %v, want %v", c.value, c.unit, got, c.want)
		}
	}
}

func TestRefusals(t *testing.T) {
	for _, bad := range []string{"", "NaN", "Inf", "1e3", "1,5", "--1", "1-", "1.2.3", ".", "-", " 1", "０"} {
		if _, err := quantity.Parse(bad, "L"); !fault.HasReason(err, "VALUE_NOT_A_NUMBER") {
			t.Errorf("%q: got %v", bad, err)
		}
	}
	if _, err := quantity.Parse("1", "litre"); !fault.HasReason(err, "UNIT_UNKNOWN") {
		t.Errorf("unknown unit: got %v", err)
	}
	if _, err := quantity.Parse("12345678901234567890", "L"); !fault.HasReason(err, "VALUE_TOO_LONG") {
		t.Errorf("too long: got %v", err)
	}
	if _, err := quantity.MustParse("1", "L").Add(quantity.MustParse("1", "kg")); !fault.HasReason(err, "UNIT_MISMATCH") {
		t.Errorf("mismatch: got %v", err)
	}
	// The advice is the dimension of what the amount is wanted in, not that of the unit which is wrong.
	if _, err := quantity.MustParse("1", "kg").Convert(quantity.MustLookup("L")); err == nil || !strings.HasSuffix(err.Error(), "Use a unit of volume.") {
		t.Errorf("advice: got %v", err)
	}
	if _, err := quantity.MustParse("1", "L").Cmp(quantity.MustParse("1", "kg")); err == nil || !strings.HasSuffix(err.Error(), "Use a unit of volume.") {
		t.Errorf("advice of a comparison: got %v", err)
	}
	if _, err := quantity.MustParse("1", "L").Convert(quantity.MustLookup("[gal_us]")); !fault.HasReason(err, "CONVERSION_INEXACT") {
		t.Errorf("inexact: got %v", err)
	}
}

func TestMinusZeroIsZero(t *testing.T) {
	if got := quantity.MustParse("-0", "L"); got.String() != "0 L" {
		t.Errorf("got %s", got)
	}
}

func TestAddIsExactAndCommutes(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		a := quantity.Of(mustDecimal(t, "a"), quantity.MustLookup("mL"))
		b := quantity.Of(mustDecimal(t, "b"), quantity.MustLookup("L"))
		ab, err1 := a.Add(b)
		ba, err2 := b.Add(a)
		if err1 != nil || err2 != nil {
			t.Fatalf("%v %v", err1, err2)
		}
		if cmp, _ := ab.Cmp(ba); cmp != 0 {
			t.Fatalf("%s and %s", ab, ba)
		}
		back, err := ab.Sub(b)
		if cmp, _ := back.Cmp(a); err != nil || cmp != 0 {
			t.Fatalf("%s, want %s (%v)", back, a, err)
		}
	})
}

func TestConvertRoundedIsWithinHalfAStep(t *testing.T) {
	got, err := quantity.MustParse("1", "L").ConvertRounded(quantity.MustLookup("[gal_us]"), 3)
	if err != nil || got.String() != "0.264 [gal_us]" {
		t.Errorf("got %s, %v", got, err)
	}
}

// Canonical takes a short way in whole numbers where it can; for every unit it must give the very float64 that the exact
// rational gives.
func TestCanonicalIsTheNearestOfTheExactAmount(t *testing.T) {
	units := quantity.Units()
	rapid.Check(t, func(t *rapid.T) {
		unit := units[rapid.IntRange(0, len(units)-1).Draw(t, "unit")]
		value, err := decimal.New(rapid.Int64().Draw(t, "coefficient")>>rapid.IntRange(0, 62).Draw(t, "shift"), rapid.IntRange(0, decimal.MaxScale).Draw(t, "scale"))
		if err != nil {
			t.Fatal(err)
		}
		q := quantity.Of(value, unit)
		if want, _ := q.Rat().Float64(); q.Canonical() != want {
			t.Fatalf("%s is %v, want %v", q, q.Canonical(), want)
		}
	})
}

func BenchmarkCanonical(b *testing.B) {
	torque := quantity.MustParse("812.5", "[ft_i].[lbf_av]")
	temperature := quantity.MustParse("741.2", "[degF]")
	for b.Loop() {
		torque.Canonical()
		temperature.Canonical()
	}
}

// A refusal of a unit names the codes that are taken instead: those of the dimension where it is known, all of them otherwise.
func TestRefusalsNameTheAllowedCodes(t *testing.T) {
	_, unknown := quantity.Lookup("furlong")
	_, mismatch := quantity.MustParse("1", "kg").Add(quantity.MustParse("1", "uS/cm"))
	for want, err := range map[string]error{"kg, g, [lb_av], [oz_av]": mismatch, "L, mL, uL, [gal_us], [qt_us]": unknown} {
		if f, ok := fault.As(err); !ok || !strings.HasPrefix(f.Metadata["allowed_codes"], want) || errors.Is(err, mismatch) && f.Metadata["allowed_codes"] != want {
			t.Errorf("%v names %v, want %s", err, f, want)
		}
	}
}

// Recommendation 20 has three codes for pieces: EA each, C62 one, H87 piece.
func TestPiecesAreKnownByAnyOfTheirCodes(t *testing.T) {
	for _, code := range []string{"EA", "C62", "H87", "{each}"} {
		if u, err := quantity.Lookup(code); err != nil || u.Code != "{each}" || u.Rec20 != "EA" {
			t.Errorf("%s is %v, %v", code, u, err)
		}
	}
}
