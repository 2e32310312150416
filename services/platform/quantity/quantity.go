// Package quantity is the suite's one quantity type: an exact decimal with a unit, and exact conversions.
//
// A Quantity is never a binary floating-point number, so stock adds up. Units carry their UCUM code (used inside and in
// the API) and their UN/ECE Recommendation 20 code (used at the ERP edge). Conversion factors are the exact definitions
// of NIST Handbook 44 Appendix C and NIST SP 811, kept as rationals; the rounded factors printed in Recommendation 20 are
// not used. A conversion whose result has no finite decimal of at most 19 digits is refused unless a scale is given.
//
// Readings of instruments, which are measurements and not stock, convert with Canonical, which returns a float64.
package quantity

import (
	"math/big"
	"strings"

	"github.com/govalues/decimal"

	"coldsection.example/services/platform/fault"
)

// Quantity is a decimal amount of a unit. The zero value is zero of no unit; make one with Parse or Of.
type Quantity struct {
	value decimal.Decimal
	unit  Unit
}

// Of pairs a decimal with a unit.
func Of(value decimal.Decimal, unit Unit) Quantity { return Quantity{value: value, unit: unit} }

// Parse reads a plain decimal ("0.300", "-2", no exponent, no grouping, decimal point only) and a UCUM or
// Recommendation 20 unit code. Reasons: VALUE_NOT_A_NUMBER, UNIT_UNKNOWN.
func Parse(value, unitCode string) (Quantity, error) {
	u, err := Lookup(unitCode)
	if err != nil {
		return Quantity{}, err
	}
	d, err := ParseDecimal(value)
	if err != nil {
		return Quantity{}, err
	}
	return Quantity{value: d, unit: u}, nil
}

// MustParse is Parse for constants and tests; it panics on an error.
func MustParse(value, unitCode string) Quantity {
	q, err := Parse(value, unitCode)
	if err != nil {
		panic(err)
	}
	return q
}

// ParseDecimal reads a plain decimal of at most 19 digits. NaN, Inf, exponents and grouping are refused with
// VALUE_NOT_A_NUMBER; "-0" is 0.
func ParseDecimal(s string) (decimal.Decimal, error) {
	if !plain(s) {
		return decimal.Decimal{}, notANumber(s)
	}
	if len(s) > decimal.MaxPrec && digits(s) > decimal.MaxPrec {
		return decimal.Decimal{}, fault.Invalid("value", "VALUE_TOO_LONG",
			"The value %.40q has more than %d digits. Give it with fewer digits.", s, decimal.MaxPrec)
	}
	d, err := decimal.Parse(s)
	if err != nil {
		return decimal.Decimal{}, notANumber(s)
	}
	if d.IsZero() {
		return d.Abs(), nil
	}
	return d, nil
}

// plain says whether a text is digits, with at most one point among them and a minus before them.
func plain(s string) bool {
	some, point := false, false
	for i := range len(s) {
		switch c := s[i]; {
		case c >= '0' && c <= '9':
			some = true
		case c == '.' && !point:
			point = true
		case c == '-' && i == 0:
		default:
			return false
		}
	}
	return some
}

// digits are those that count, leading zeros left out.
func digits(s string) int {
	whole, frac, _ := strings.Cut(strings.TrimPrefix(s, "-"), ".")
	return len(strings.TrimLeft(whole, "0")) + len(frac)
}

func notANumber(s string) error {
	return fault.Invalid("value", "VALUE_NOT_A_NUMBER",
		"%.40q is not a plain decimal number. Give digits with at most one decimal point, such as 0.300.", s)
}

// Value is the decimal part.
func (q Quantity) Value() decimal.Decimal { return q.value }

// Unit is the unit part.
func (q Quantity) Unit() Unit { return q.unit }

// IsZero reports whether the amount is zero.
func (q Quantity) IsZero() bool { return q.value.IsZero() }

// Sign is -1, 0 or 1.
func (q Quantity) Sign() int { return q.value.Sign() }

// String is the decimal, a space and the UCUM code.
func (q Quantity) String() string { return q.value.String() + " " + q.unit.Code }

// Neg is the quantity with the other sign.
func (q Quantity) Neg() Quantity { return Quantity{value: q.value.Neg(), unit: q.unit} }

// Add adds a quantity of the same dimension, in the unit of q, exactly. Reasons: UNIT_MISMATCH, VALUE_TOO_LONG.
func (q Quantity) Add(r Quantity) (Quantity, error) {
	s, err := r.Convert(q.unit)
	if err != nil {
		return Quantity{}, err
	}
	sum, err := q.value.AddExact(s.value, max(q.value.Scale(), s.value.Scale()))
	if err != nil {
		return Quantity{}, tooLong(q.unit)
	}
	return Quantity{value: sum, unit: q.unit}, nil
}

// Sub subtracts like Add.
func (q Quantity) Sub(r Quantity) (Quantity, error) { return q.Add(r.Neg()) }

// Cmp compares two quantities of one dimension. Reason: UNIT_MISMATCH.
func (q Quantity) Cmp(r Quantity) (int, error) {
	if err := sameDimension(r.unit, q.unit); err != nil {
		return 0, err
	}
	return q.base().Cmp(r.base()), nil
}

// Convert expresses q in another unit exactly. Reasons: UNIT_MISMATCH, CONVERSION_INEXACT.
func (q Quantity) Convert(to Unit) (Quantity, error) {
	if q.unit.Code == to.Code {
		return q, nil
	}
	if err := sameDimension(q.unit, to); err != nil {
		return Quantity{}, err
	}
	r := to.fromBase(q.base())
	scale, ok := finiteScale(r)
	if !ok {
		return Quantity{}, inexact(q, to)
	}
	return decimalOf(r, scale, to)
}

// ConvertRounded expresses q in another unit, rounded half away from zero to scale digits after the point.
// Reasons: UNIT_MISMATCH, VALUE_TOO_LONG.
func (q Quantity) ConvertRounded(to Unit, scale int) (Quantity, error) {
	if err := sameDimension(q.unit, to); err != nil {
		return Quantity{}, err
	}
	return decimalOf(to.fromBase(q.base()), scale, to)
}

// Canonical is the amount in the base unit of its dimension as a float64, for measurements; see Dimension for the base.
func (q Quantity) Canonical() float64 {
	if f, ok := q.quick(); ok {
		return f
	}
	f, _ := q.base().Float64()
	return f
}

// Rat is the exact amount in the base unit of the dimension.
func (q Quantity) Rat() *big.Rat { return q.base() }

func (q Quantity) base() *big.Rat { return q.unit.toBase(ratOf(q.value)) }

func ratOf(d decimal.Decimal) *big.Rat {
	num := new(big.Int).SetUint64(d.Coef())
	if d.IsNeg() {
		num.Neg(num)
	}
	return new(big.Rat).SetFrac(num, new(big.Int).SetUint64(powers[d.Scale()]))
}

func decimalOf(r *big.Rat, scale int, unit Unit) (Quantity, error) {
	d, err := decimal.ParseExact(r.FloatString(scale), scale)
	if err != nil {
		return Quantity{}, tooLong(unit)
	}
	return Quantity{value: d, unit: unit}, nil
}

// finiteScale is the number of digits after the point that r needs, if it is a finite decimal with at most 19.
func finiteScale(r *big.Rat) (int, bool) {
	den := new(big.Int).Set(r.Denom())
	scale := max(divideOut(den, 2), divideOut(den, 5))
	return scale, den.IsInt64() && den.Int64() == 1 && scale <= decimal.MaxPrec
}

func divideOut(n *big.Int, p int64) int {
	count, prime, mod := 0, big.NewInt(p), new(big.Int)
	for {
		quo, rem := new(big.Int).QuoRem(n, prime, mod)
		if rem.Sign() != 0 {
			return count
		}
		n.Set(quo)
		count++
	}
}

func tooLong(unit Unit) error {
	return fault.Invalid("value", "VALUE_TOO_LONG",
		"The amount in %s needs more than %d digits. Use a larger unit or fewer digits.", unit.Code, decimal.MaxPrec)
}

func inexact(q Quantity, to Unit) error {
	return fault.Invalid("unit_code", "CONVERSION_INEXACT",
		"%s has no exact decimal value in %s. State the number of digits to round to.", q, to.Code)
}

// sameDimension refuses a unit that was given where another is wanted, and says what is wanted.
func sameDimension(given, wanted Unit) error {
	if given.Dimension == wanted.Dimension {
		return nil
	}
	return fault.Invalid("unit_code", "UNIT_MISMATCH", "%q measures %s and %q measures %s. Use a unit of %s.",
		given.Code, given.Dimension, wanted.Code, wanted.Dimension, wanted.Dimension).With("unit", given.Code).With("allowed_codes", allowed(wanted.Dimension))
}
