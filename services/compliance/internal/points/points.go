// Package points keeps what due items of one subject are counted from, so that a new day, new counters or another rate need
// no history: the limits, the base, the extension and the threshold of each. Counters and rates are not among it; they are
// put to it when somebody asks, so that nothing kept can be late with them.
//
// What is kept holds from the day on which history was read until the first day on which history may say otherwise.
package points

import (
	"slices"
	"sort"

	"coldsection.example/services/compliance/internal/civil"
	"coldsection.example/services/compliance/internal/due"
)

// Point is one due item before a day, counters and a rate are put to it.
type Point struct {
	Requirement string
	Counted     bool // false: its band stands whatever the day, the counters and the rate are
	Tree        due.Tree
	Base        due.Base
	Threshold   due.Threshold
	Extension   due.Extension
	Soft        bool
	Lowered     bool       // corrected flying lowered the counters of its last record
	Fitted      civil.Date // the fitting after it was last done that it counts from; zero without
	Past        civil.Date // when it came off past, so that no fitting since started it again; zero without
	Told        Told
}

// Told is what the item's row says: by what it is filtered and sorted, and a digest of the rest.
type Told struct {
	Band due.Band
	Date civil.Date // zero when it has none
	Row  uint64     // of what the row says that neither a day nor counters nor a rate change
}

// Listed reports whether two rows are filtered and sorted alike.
func (t Told) Listed(o Told) bool { return t.Band == o.Band && t.Date == o.Date }

// Points are the due items of a subject.
type Points struct {
	Rules        string     // which requirements they were worked out from
	Since, Until civil.Date // the day on which history was read, and the first on which it may say otherwise; zero when never
	Items        []Point    // by requirement
}

// Hold reports whether the points hold on a day for the requirements as they are now.
func (p Points) Hold(day civil.Date, rules string) bool {
	return p.Rules == rules && !p.Since.IsZero() && !day.Before(p.Since) && (p.Until.IsZero() || day.Before(p.Until))
}

// On works an item out for a state of its subject. The state's extension is the item's, and does not count once its last day
// is over.
func (p *Point) On(now due.Now) due.Result { return p.OnSlate(&due.Slate{}, now) }

// OnSlate is On for many items, each of which is done with before the next.
func (p *Point) OnSlate(slate *due.Slate, now due.Now) due.Result {
	if now.Extension = p.Extension; p.Ended(now.Today) {
		now.Extension = due.Extension{}
	}
	r := p.Tree.ComputeOn(slate, p.Base, now, p.Threshold)
	if p.Soft {
		return r.Softened()
	}
	return r
}

// Ended reports whether the last day of the extension is over.
func (p *Point) Ended(today civil.Date) bool {
	return !p.Extension.Stop.IsZero() && p.Extension.Stop.Before(today)
}

// Stale reports whether the row has to be written anew. It always has another band, and an earlier date. A projected date moves a day
// with every day without flying; the row follows when it is behind by more than a tenth of the days that are left, so that it is
// never later than the item, and not every row is written every day.
func (p *Point) Stale(r due.Result, today civil.Date) bool {
	switch told := p.Told.Date; {
	case p.Told.Band != r.Band || told.IsZero() != r.Date.IsZero():
		return true
	case told.IsZero():
		return false
	case r.Date.Before(told):
		return true
	default:
		return 10*r.Date.Sub(told) > max(0, r.Date.Sub(today))
	}
}

// Same reports whether two items are counted from the same, whatever was told of them.
func (p *Point) Same(o Point) bool {
	return p.Counted == o.Counted && p.Base == o.Base && p.Threshold == o.Threshold && p.Extension == o.Extension && p.Soft == o.Soft && p.Lowered == o.Lowered &&
		p.Fitted == o.Fitted && p.Past == o.Past && p.Tree.Equal(o.Tree)
}

// Of is the item of a requirement, nil when there is none.
func (p *Points) Of(requirement string) *Point {
	if p == nil {
		return nil
	}
	if i, found := p.find(requirement); found {
		return &p.Items[i]
	}
	return nil
}

// Walk goes through items whose requirements are asked for in their order, which is quicker than to look each up.
func (p *Points) Walk() Walk {
	if p == nil {
		return Walk{}
	}
	return Walk{p.Items}
}

// Walk is the items that were not passed yet.
type Walk struct{ left []Point }

// To is Of for a requirement that comes after those that were asked for.
func (w *Walk) To(requirement string) *Point {
	for len(w.left) > 0 && w.left[0].Requirement < requirement {
		w.left = w.left[1:]
	}
	if len(w.left) == 0 || w.left[0].Requirement != requirement {
		return nil
	}
	return &w.left[0]
}

// Set puts an item in, in place of the one of the same requirement.
func (p *Points) Set(fresh Point) {
	switch i, found := p.find(fresh.Requirement); {
	case found:
		p.Items[i] = fresh
	case i == len(p.Items):
		p.Items = append(p.Items, fresh)
	default:
		p.Items = slices.Insert(p.Items, i, fresh)
	}
}

// find is where the item of a requirement is, or belongs. Items mostly come in their order.
func (p *Points) find(requirement string) (int, bool) {
	if n := len(p.Items); n == 0 || p.Items[n-1].Requirement < requirement {
		return n, false
	}
	i := sort.Search(len(p.Items), func(i int) bool { return p.Items[i].Requirement >= requirement }) // which copies no item
	return i, i < len(p.Items) && p.Items[i].Requirement == requirement
}
