package stock

import (
	"coldsection.example/services/platform/quantity"
)

// FromCount reads a counted amount into ledger units; unlike a movement it may be zero, because an empty shelf is a finding.
// Reasons: those of FromQuantity.
func FromCount(value, unitCode, baseUnit string) (Micro, error) {
	q, err := quantity.Parse(value, unitCode)
	if err != nil {
		return 0, err
	}
	if q.Sign() != 0 {
		return FromQuantity(value, unitCode, baseUnit)
	}
	base, err := quantity.Lookup(baseUnit)
	if err != nil {
		return 0, err
	}
	_, err = q.ConvertRounded(base, 12)
	return 0, err
}

// CountPostings book a count's difference: what was missed leaves the place, what was found enters it, against the place of
// the books where counts differ. No difference gives no postings.
func CountPostings(lot, location, books string, difference Micro) []Posting {
	if difference == 0 {
		return nil
	}
	return []Posting{{Lot: lot, Location: books, Amount: -difference}, {Lot: lot, Location: location, Amount: difference}}
}
