// Package stock holds the rules of the stock ledger: exact amounts, life of a lot, which lot to take first, mixing.
//
// Amounts in the ledger are whole micro-units of an item's base unit (microlitres for an item counted in litres), so that
// postings add up exactly. Times are arguments; nothing here reads a clock or a database.
package stock

import (
	"cmp"
	"fmt"
	"math/big"
	"slices"
	"time"

	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/quantity"
)

// Scale is how many ledger units one base unit has.
const Scale = 1_000_000

// Micro is an amount in millionths of the item's base unit.
type Micro int64

// FromQuantity reads an amount into ledger units. Reasons: UNIT_UNKNOWN, UNIT_MISMATCH, VALUE_NOT_A_NUMBER,
// QUANTITY_NOT_POSITIVE, QUANTITY_TOO_FINE, QUANTITY_TOO_LARGE.
func FromQuantity(value, unitCode, baseUnit string) (Micro, error) {
	q, err := quantity.Parse(value, unitCode)
	if err != nil {
		return 0, err
	}
	base, err := quantity.Lookup(baseUnit)
	if err != nil {
		return 0, err
	}
	if q.Sign() <= 0 {
		return 0, fault.Invalid("value", "QUANTITY_NOT_POSITIVE", "The quantity is %s. Give more than zero.", q)
	}
	m, ok := whole(q)
	if !ok || baseUnit != unitCode {
		if m, err = converted(q, base, unitCode); err != nil {
			return 0, err
		}
	}
	if base.Code == pieces && m%Scale != 0 {
		return 0, fault.Invalid("value", "QUANTITY_TOO_FINE", "%s is part of a piece, and the ledger counts whole pieces. Give a whole number.", q)
	}
	return m, nil
}

// pieces is the unit of what is counted and not measured.
const pieces = "{each}"

// converted is an amount in ledger units, however it is written and in whichever unit of its dimension.
func converted(q quantity.Quantity, base quantity.Unit, unitCode string) (Micro, error) {
	in, err := q.ConvertRounded(base, 12)
	if err != nil {
		return 0, err
	}
	micro := new(big.Rat).Mul(ratOf(in), big.NewRat(Scale, 1))
	if !micro.IsInt() {
		if base.Code == unitCode {
			return 0, fault.Invalid("value", "QUANTITY_TOO_FINE", "%s is finer than the ledger, which counts millionths of %s. Round it.", q, base.Code)
		}
		micro.SetInt(roundHalfUp(micro))
	}
	if !micro.Num().IsInt64() || micro.Num().Int64() > 1<<52 {
		return 0, fault.Invalid("value", "QUANTITY_TOO_LARGE", "%s is more than the ledger can hold for one movement. Book it in parts, or correct it.", q)
	}
	if micro.Sign() == 0 {
		return 0, fault.Invalid("value", "QUANTITY_TOO_FINE", "%s is less than a millionth of %s. Correct it, or leave it out.", q, base.Code)
	}
	return Micro(micro.Num().Int64()), nil
}

// whole is a positive amount of the base unit in ledger units, where it has no more digits than these and is shorter than the
// long way allows.
func whole(q quantity.Quantity) (Micro, bool) {
	coef, scale := q.Value().Coef(), q.Value().Scale()
	if coef >= 1<<32 || scale > 6 {
		return 0, false
	}
	m := Micro(coef)
	for range 6 - scale {
		m *= 10
	}
	return m, m > 0 && m < longest
}

// longest bounds what the long way takes: with twelve digits after the point seven are left before it.
const longest = 10_000_000 * Scale

func ratOf(q quantity.Quantity) *big.Rat {
	r, _ := new(big.Rat).SetString(q.Value().String())
	return r
}

func roundHalfUp(r *big.Rat) *big.Int {
	twice := new(big.Int).Mul(r.Num(), big.NewInt(2))
	twice.Add(twice, r.Denom())
	return twice.Div(twice, new(big.Int).Mul(r.Denom(), big.NewInt(2)))
}

// Text is the amount as a plain decimal of the base unit.
func (m Micro) Text() string {
	sign, n := "", int64(m)
	if n < 0 {
		sign, n = "-", -n
	}
	s := fmt.Sprintf("%s%d.%06d", sign, n/Scale, n%Scale)
	for s[len(s)-1] == '0' {
		s = s[:len(s)-1]
	}
	if s[len(s)-1] == '.' {
		s = s[:len(s)-1]
	}
	return s
}

// Posting is one line of a movement: out of a place when negative, into it when positive.
type Posting struct {
	Lot, Location string
	Amount        Micro
}

// Balanced reports whether the postings of a movement sum to zero, lot by lot. A movement between lots (mixing, decanting)
// goes through a place of the books, so that this holds for it too.
func Balanced(postings []Posting) bool {
	sums := map[string]Micro{}
	for _, p := range postings {
		sums[p.Lot] += p.Amount
	}
	for _, s := range sums {
		if s != 0 {
			return false
		}
	}
	return len(postings) > 1
}

// Candidate is a lot that could be taken.
type Candidate struct {
	Lot, ShortCode, Location string
	State                    string    // of the lot
	Expire                   time.Time // zero: keeps for ever, when Known
	Known                    bool      // whether the life is known
	Rule                     string    // what ends it, in words
	Opened                   bool
	Available                Micro
	Received                 time.Time
	UntestedReason, Untested string // for water: why its test does not count; empty when it does or need not be
}

// Pick is how much to take of a lot, and why.
type Pick struct {
	Candidate

	Amount Micro
	Why    string
}

// Skip is a lot that was passed over.
type Skip struct{ Lot, Reason, Why string }

// Choose takes lots that are still usable at the need time, earliest end of life first, opened ones first on a tie, then
// the smaller remainder, the earlier receipt, the name; it says why others were passed over and what is missing.
func Choose(all []Candidate, need Micro, at time.Time) (picks []Pick, skips []Skip, missing Micro) {
	sorted := slices.Clone(all)
	slices.SortFunc(sorted, func(a, b Candidate) int {
		return cmp.Or(endOf(a).Compare(endOf(b)), flag(b.Opened)-flag(a.Opened), cmp.Compare(a.Available, b.Available),
			a.Received.Compare(b.Received), cmp.Compare(a.Lot, b.Lot))
	})
	for _, c := range sorted {
		if reason, why := Refuse(c, at); reason != "" {
			skips = append(skips, Skip{c.Lot, reason, why})
			continue
		}
		if need == 0 && len(picks) > 0 && c.Available > 0 {
			skips = append(skips, Skip{c.Lot, "LOT_NOT_FIRST_TO_EXPIRE", fmt.Sprintf("Lot %s is usable until %s: %s comes first and suffices.", c.Lot, until(c), picks[0].Lot)})
		}
		if need == 0 || c.Available <= 0 {
			continue
		}
		take := min(need, c.Available)
		need -= take
		picks = append(picks, Pick{c, take, fmt.Sprintf("Usable until %s: the earliest that is still good at %s.", until(c), stamp(at))})
	}
	return picks, skips, need
}

// Refuse says why a lot may not be used at an instant; an empty reason means that it may.
func Refuse(c Candidate, at time.Time) (reason, why string) {
	switch {
	case c.State == "RECALLED":
		return "LOT_RECALLED", fmt.Sprintf("Lot %s is recalled. Set it aside and take another lot.", c.Lot)
	case c.State == "HELD":
		return "LOT_HELD", fmt.Sprintf("Lot %s is held. Clear it after its inspection, or take another lot.", c.Lot)
	case c.Untested != "":
		return cmp.Or(c.UntestedReason, "WATER_NOT_TESTED"), fmt.Sprintf("Lot %s: %s Take another lot until then.", c.Lot, c.Untested)
	case !c.Known:
		return "LOT_LIFE_UNKNOWN", fmt.Sprintf("Lot %s has no known use-by date. Record it, or take another lot.", c.Lot)
	case !c.Expire.IsZero() && at.After(c.Expire):
		return "LOT_EXPIRED", fmt.Sprintf("Lot %s is usable until %s (%s) and is needed at %s. Take another lot.", c.Lot, until(c), cmp.Or(c.Rule, "as its books say"), stamp(at))
	case c.State != "USABLE":
		return "LOT_" + c.State, fmt.Sprintf("Lot %s is %s. Take another lot.", c.Lot, c.State)
	}
	return "", ""
}

func endOf(c Candidate) time.Time {
	if c.Expire.IsZero() {
		return time.Date(9999, 1, 1, 0, 0, 0, 0, time.UTC)
	}
	return c.Expire
}

func until(c Candidate) string {
	if c.Expire.IsZero() {
		return "any time"
	}
	return stamp(c.Expire)
}

func stamp(t time.Time) string { return t.UTC().Format("2006-01-02 15:04Z") }

func flag(b bool) int {
	if b {
		return 1
	}
	return 0
}
