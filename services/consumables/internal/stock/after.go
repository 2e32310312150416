package stock

import (
	"slices"
	"strings"
)

// After is where a lot is once postings were made, by location; places without any of it are left out, as are other lots.
func After(before []Posting, lot string, made []Posting) []Posting {
	after := slices.Clone(before)
	for _, p := range made {
		if p.Lot != lot {
			continue
		}
		at := slices.IndexFunc(after, func(b Posting) bool { return b.Location == p.Location })
		if at < 0 {
			after = append(after, Posting{Lot: lot, Location: p.Location, Amount: p.Amount})
			continue
		}
		after[at].Amount += p.Amount
	}
	after = slices.DeleteFunc(after, func(b Posting) bool { return b.Amount == 0 })
	slices.SortFunc(after, func(a, b Posting) int { return strings.Compare(a.Location, b.Location) })
	return after
}
