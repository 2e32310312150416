// Package visit chooses what to do together and when, so that least life is given up and nothing is late.
package visit

import (
	"cmp"
	"fmt"
	"slices"

	"coldsection.example/services/compliance/internal/civil"
)

// Item is something that becomes due on a day, or is past a soft life: that is done at the next visit, on whatever day that is.
type Item struct {
	Name string
	Due  civil.Date
	Soft bool
}

// Window is when a visit could be, both days included, and the day of the one after it.
type Window struct{ Earliest, Latest, Next civil.Date }

// Proposal is a visit.
type Proposal struct {
	Day     civil.Date // zero when there is nothing to do
	Items   []Item     // what to do, soonest due first
	Earlier []Item     // what can't wait for the first possible day
	GivenUp int        // days of life, over all items
	Why     string
}

// Propose bundles everything that is due before the next visit, on the last possible day on which nothing of it is late. Every day
// earlier gives up one more day of each, and every item less would be late before the next visit, so nothing gives up less. What is
// due before the first possible day is left out and said.
func Propose(items []Item, w Window) (p Proposal) {
	var soft []Item
	for _, i := range items {
		switch {
		case i.Soft:
			soft = append(soft, i)
		case i.Due.Before(w.Earliest):
			p.Earlier = append(p.Earlier, i)
		case i.Due.Before(w.Next):
			p.Items = append(p.Items, i)
		}
	}
	sortByDue(p.Earlier)
	sortByDue(p.Items)
	sortByDue(soft)
	defer func() { p.Items = append(p.Items, soft...) }()
	switch {
	case len(p.Items) == 0 && len(soft) == 0:
		p.Why = fmt.Sprintf("Nothing is due from %s until before %s.", w.Earliest, w.Next)
		return p
	case len(p.Items) == 0:
		p.Day, p.Why = w.Latest, fmt.Sprintf("Nothing is due from %s until before %s; what is past its soft life is done at the visit.", w.Earliest, w.Next)
		return p
	}
	p.Day, p.Why = w.Latest, fmt.Sprintf("The last possible day, %s, is not later than anything is due.", w.Latest)
	if first := p.Items[0]; first.Due.Before(w.Latest) {
		p.Day, p.Why = first.Due, fmt.Sprintf("%s is due first, on %s, which is the last day on which nothing is late.", first.Name, first.Due)
	}
	for _, i := range p.Items {
		p.GivenUp += i.Due.Sub(p.Day)
	}
	return p
}

func sortByDue(items []Item) {
	slices.SortFunc(items, func(a, b Item) int { return cmp.Or(a.Due.Sub(b.Due), cmp.Compare(a.Name, b.Name)) })
}
