package quantity

import (
	"math"
	"math/big"
	"math/bits"

	"github.com/govalues/decimal"
)

// powers are the powers of ten up to the most digits after the point that a decimal has.
var powers = func() (p [decimal.MaxScale + 1]uint64) {
	p[0] = 1
	for i := 1; i < len(p); i++ {
		p[i] = 10 * p[i-1]
	}
	return p
}()

// small is a unit's factor and offset as fractions of whole numbers: offset over place is added before num over den multiplies.
// All are zero when the factor is too long for quick.
type small struct {
	num, den, place uint64
	offset          int64
}

func smallOf(factor, offset *big.Rat) small {
	if !factor.Num().IsUint64() || !factor.Denom().IsUint64() {
		return small{}
	}
	s := small{num: factor.Num().Uint64(), den: factor.Denom().Uint64(), place: 1}
	if offset != nil {
		s.offset, s.place = offset.Num().Int64(), offset.Denom().Uint64()
	}
	return s
}

// quick is Canonical in whole numbers of 128 and 64 bits; ok is false where they don't suffice.
func (q Quantity) quick() (value float64, ok bool) {
	s, ten := q.unit.small, powers[q.value.Scale()]
	coef, negative, ok := s.shifted(q.value.Coef(), q.value.IsNeg(), ten)
	over, den := bits.Mul64(ten, s.place)
	more, den := bits.Mul64(den, s.den)
	if !ok || s.den == 0 || over|more != 0 {
		return 0, false
	}
	hi, lo := bits.Mul64(coef, s.num)
	if value, ok = quotient(hi, lo, den); negative {
		value = -value
	}
	return value, ok
}

// shifted is coef times place plus offset times ten, and its sign.
func (s small) shifted(coef uint64, negative bool, ten uint64) (uint64, bool, bool) {
	if s.offset == 0 {
		return coef, negative && coef != 0, true
	}
	over, v := bits.Mul64(coef, s.place)
	more, shift := bits.Mul64(uint64(max(s.offset, -s.offset)), ten)
	if over|more != 0 || v > math.MaxInt64/2 || shift > math.MaxInt64/2 {
		return 0, false, false
	}
	sum := int64(shift)
	if s.offset < 0 {
		sum = -sum
	}
	if negative {
		sum -= int64(v)
	} else {
		sum += int64(v)
	}
	return uint64(max(sum, -sum)), sum < 0, true
}

// quotient is the float64 nearest to a whole number of 128 bits over one of 64, ties to even. The quotient is taken to at least
// 63 bits, of which a float64 keeps 53; a remainder sets the last of those that it doesn't keep, so that no tie is seen where there is none.
func quotient(hi, lo, den uint64) (float64, bool) {
	length := 64 + bits.Len64(hi)
	if hi == 0 {
		length = bits.Len64(lo)
	}
	switch length {
	case 0:
		return 0, true
	case 128:
		return 0, false
	}
	up := uint(127 - length)
	if up >= 64 {
		hi, lo = lo<<(up-64), 0
	} else {
		hi, lo = hi<<up|lo>>(64-up), lo<<up
	}
	norm := bits.LeadingZeros64(den)
	q, rest := bits.Div64(hi, lo, den<<norm)
	if rest != 0 {
		q |= 1
	}
	return math.Ldexp(float64(q), norm-int(up)), true
}
