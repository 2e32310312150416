// Package retention works out how long a record must be kept. Each rule is a floor; the longest holds. Months round up where a month
// is too short. Floors only ever block a deletion.
package retention

import (
	"fmt"

	"coldsection.example/services/compliance/internal/civil"
)

// Rule is a floor, by the paragraph that sets it.
type Rule string

// The rules, as the handbook cites them.
const (
	ShopFAA     Rule = "145.219"    // 14 CFR 145.219(c): 2 years from the approval for return to service
	ShopEASA    Rule = "145.A.55"   // 145.A.55(a)(3): 3 years from the release
	OwnerFAA    Rule = "91.417b1"   // 14 CFR 91.417(b)(1): until repeated or superseded, or 1 year
	OwnerEASA   Rule = "M.A.305e2"  // M.A.305(e)2: until superseded, but not shorter than 36 months
	AircraftFAA Rule = "91.417a2"   // 14 CFR 91.417(b)(2), 91.419: with the aircraft
	LifeEASA    Rule = "M.A.305e34" // M.A.305(e)3, 4: while the status of a life-limited part rests on it
)

// Floor is how long a record must be kept.
type Floor struct {
	Through      civil.Date // zero while it has no end
	Open         bool       // no end until superseded
	WithAircraft bool       // stays with the aircraft, and goes with it when it is sold
	Lines        []string
}

// Keep is the longest floor of a record of work that was released on a day, and superseded by equal work on another, if ever.
func Keep(rules []Rule, released, superseded civil.Date) (f Floor) {
	for _, r := range rules {
		through, open, with := r.floor(released, superseded)
		switch {
		case with:
			f.WithAircraft = true
			f.Lines = append(f.Lines, fmt.Sprintf("%s: with the aircraft", r))
		case open:
			f.Open = true
			f.Lines = append(f.Lines, fmt.Sprintf("%s: until superseded, and at least through %s", r, through))
		default:
			f.Lines = append(f.Lines, fmt.Sprintf("%s: through %s", r, through))
		}
		if f.Through.Before(through) {
			f.Through = through
		}
	}
	if f.Open || f.WithAircraft {
		f.Through = civil.Date{}
	}
	return f
}

func (r Rule) floor(released, superseded civil.Date) (through civil.Date, open, withAircraft bool) {
	switch r {
	case ShopFAA:
		return released.KeepThrough(24), false, false
	case ShopEASA:
		return released.KeepThrough(36), false, false
	case OwnerFAA:
		return released.KeepThrough(12), false, false
	case OwnerEASA:
		through = released.KeepThrough(36)
		if through.Before(superseded) {
			through = superseded
		}
		return through, superseded.IsZero(), false
	default:
		return civil.Date{}, false, true
	}
}
