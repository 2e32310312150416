package quantity_test

import (
	"math/big"
	"testing"

	"github.com/govalues/decimal"
	"pgregory.net/rapid"

	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/quantity"
)

// The factors are those of NIST Handbook 44, Appendix C, and NIST SP 811, Appendix B; how many digits are given is our own rule.
func TestAmountsInTheOtherSystem(t *testing.T) {
	cases := []struct {
		value, unit string
		in          quantity.System
		want, text  string
	}{
		{"20", "L", quantity.US, "5.283", "5.283 US gal"},
		{"1", "L", quantity.US, "0.2642", "0.2642 US gal"},
		{"500", "mL", quantity.US, "16.91", "16.91 US fl oz"},
		{"620.5", "kPa", quantity.US, "90.00", "90.00 psi"},
		{"650", "Cel", quantity.US, "1202", "1202 °F"},
		{"-40", "Cel", quantity.US, "-40.00", "-40.00 °F"},
		{"1300", "[ft_i].[lbf_av]", quantity.SI, "1763", "1763 N·m"},
		{"29.92", "[in_i'Hg]", quantity.SI, "1013.2", "1013.2 hPa"},
		{"100", "kg/h", quantity.US, "220.5", "220.5 lb/h"},
		{"0", "L", quantity.US, "0.000", "0.000 US gal"},
		// An amount that is in the system already, and one that both systems have, are themselves.
		{"3.8", "[gal_us]", quantity.US, "3.8", "3.8 US gal"},
		{"33000", "{rpm}", quantity.US, "33000", "33000 rpm"},
		{"11", "K", quantity.US, "11", "11 K"}, // a difference, which is no temperature
	}
	for _, c := range cases {
		got, err := quantity.MustParse(c.value, c.unit).In(c.in)
		if err != nil || got.Value().String() != c.want || got.Text() != c.text {
			t.Errorf("%s %s in %s: %s, %q, %v; want %s", c.value, c.unit, c.in, got, got.Text(), err, c.want)
		}
	}
}

func TestSystemsThatNobodyKnowsAreRefused(t *testing.T) {
	for _, name := range []string{"", "si", "imperial"} {
		if _, err := quantity.ParseSystem(name); !fault.HasReason(err, "UNIT_SYSTEM_UNKNOWN") {
			t.Errorf("%q: %v", name, err)
		}
	}
}

// Whatever is converted for reading differs from what is written by no more than half of its last digit, or half of the fourth
// significant digit where that is finer, and reading it twice changes nothing.
func TestRoundingIsNoCoarserThanWhatIsWritten(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		unit := rapid.SampledFrom(quantity.Units()).Draw(t, "unit")
		system := rapid.SampledFrom([]quantity.System{quantity.SI, quantity.US}).Draw(t, "system")
		value, err := decimal.New(rapid.Int64Range(-1e9, 1e9).Draw(t, "coefficient"), rapid.IntRange(0, 6).Draw(t, "scale"))
		if err != nil {
			t.Fatal(err)
		}
		q := quantity.Of(value, unit)
		got, err := q.In(system)
		if err != nil {
			t.Fatalf("%s in %s: %v", q, system, err)
		}
		off := new(big.Rat).Sub(got.Rat(), q.Rat())
		next, err := value.Add(value.ULP())
		if err != nil {
			t.Fatal(err)
		}
		step := new(big.Rat).Sub(quantity.Of(next, unit).Rat(), q.Rat())
		if off.Abs(off).Cmp(step.Mul(step, big.NewRat(1, 2))) > 0 {
			t.Fatalf("%s is %s, off by %s", q, got, off.FloatString(12))
		}
		if again, err := got.In(system); err != nil || again.String() != got.String() {
			t.Fatalf("%s again is %s, %v", got, again, err)
		}
	})
}

// A unit and its counterpart measure the same thing; what is in the system already stays, and so do units that both have.
func TestCounterpartsMeasureTheSame(t *testing.T) {
	for _, u := range quantity.Units() {
		for _, s := range []quantity.System{quantity.US, quantity.SI} {
			there := s.Counterpart(u)
			if there.Dimension != u.Dimension || s.Counterpart(there).Code != there.Code {
				t.Errorf("%s becomes %s, and that %s", u.Code, there.Code, s.Counterpart(there).Code)
			}
		}
	}
	for _, code := range []string{"[kn_i]", "{rpm}", "%", "K", "Ohm", "V", "{each}", "h"} {
		u := quantity.MustLookup(code)
		if quantity.US.Counterpart(u).Code != code || quantity.SI.Counterpart(u).Code != code {
			t.Errorf("%s is not common to both", code)
		}
	}
}

// The other sign changes nothing else, and twice is as before.
func TestTheOtherSign(t *testing.T) {
	for _, value := range []string{"1.50", "-7.2", "0"} {
		q := quantity.MustParse(value, "mL")
		if n := q.Neg(); n.Sign() != -q.Sign() || n.Unit().Code != "mL" || n.Neg().String() != q.String() {
			t.Errorf("%s becomes %s", q, n)
		}
	}
}
