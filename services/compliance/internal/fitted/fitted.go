// Package fitted decides which things a flight counts for: what was fitted on that day, whatever is fitted now.
//
// A thing counts the flying of its first and last day. Where one thing took another's place on the day of the flight, nobody can
// tell from the day alone which of the two flew: the one that was named counts, else the one that counted the flight before
// the swap was known; else it is refused.
package fitted

import (
	"slices"

	"coldsection.example/services/compliance/internal/civil"
	"coldsection.example/services/platform/fault"
)

// Fitting is a thing in a place from one day to another, both included.
type Fitting struct {
	Item, Host, Position string
	From, To             civil.Date // zero From: since before records began; zero To: still
}

// Covers reports whether it was there on a day.
func (f Fitting) Covers(day civil.Date) bool {
	return !day.Before(f.From) && (f.To.IsZero() || !f.To.Before(day))
}

// Flight is what decides besides the fittings.
type Flight struct {
	Day     civil.Date
	Named   []string // things that the entry names
	Counted []string // things that counted it so far
}

// Follow is what of the fittings of one host a flight counts for, in order of their names. Reason: FITTING_AMBIGUOUS.
func Follow(fittings []Fitting, f Flight) ([]string, error) {
	places := map[string][]string{}
	for _, one := range fittings {
		if one.Covers(f.Day) && !slices.Contains(places[one.Position], one.Item) {
			places[one.Position] = append(places[one.Position], one.Item)
		}
	}
	var out []string
	for position, there := range places {
		one, err := f.choose(position, there)
		if err != nil {
			return nil, err
		}
		if !slices.Contains(out, one) {
			out = append(out, one)
		}
	}
	slices.Sort(out)
	return out, nil
}

func (f Flight) choose(position string, there []string) (string, error) {
	if len(there) == 1 {
		return there[0], nil
	}
	for _, list := range [][]string{f.Named, f.Counted} {
		in := slices.DeleteFunc(slices.Clone(there), func(item string) bool { return !slices.Contains(list, item) })
		if len(in) == 1 {
			return in[0], nil
		}
	}
	slices.Sort(there)
	return "", fault.Precondition("FITTING_AMBIGUOUS", "On %s one thing took another's place at %s: %s and %s were both there. Name the one that flew in fitted_items.",
		f.Day, position, there[0], there[1]).With("first", there[0]).With("second", there[1])
}

// Overlaps reports whether two fittings share more than the day of a swap.
func (f Fitting) Overlaps(g Fitting) bool {
	return (g.To.IsZero() || f.From.Before(g.To)) && (f.To.IsZero() || g.From.Before(f.To))
}
