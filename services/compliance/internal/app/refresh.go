package app

import (
	"context"
	"maps"
	"slices"

	"google.golang.org/protobuf/proto"

	compliancev1 "coldsection.example/proto/coldsection/compliance/v1"
	"coldsection.example/services/compliance/internal/points"
	"coldsection.example/services/compliance/internal/store"
	"coldsection.example/services/platform/fault"
)

// today puts today, the counters and the rate to items of a list, in place, from what is kept of them; what does not hold today is worked out
// from history. The items are rows that this snapshot read, so that they and the points are of one moment.
func (u unit) today(ctx context.Context, items []*compliancev1.DueItem) error {
	rules, err := store.Rules(ctx, u.Tx)
	if err != nil {
		return err
	}
	asked := map[string]names{}
	for _, item := range items {
		asked[item.GetSubject()] = append(asked[item.GetSubject()], item.GetRequirement())
	}
	days, err := u.looked(ctx, asked, rules)
	if err != nil {
		return err
	}
	history := refresher{unit: u, subjects: map[string]seen{}}
	for i, item := range items {
		d := days[item.GetSubject()]
		if p := d.points.Of(item.GetRequirement()); d.good && p != nil {
			putDay(item, p, d.seen)
			continue
		}
		if items[i], err = history.refreshed(ctx, item); err != nil {
			return err
		}
	}
	return nil
}

// looked are subjects with their points of the requirements that are asked for.
func (u unit) looked(ctx context.Context, asked map[string]names, rules string) (map[string]*sight, error) {
	out := map[string]*sight{}
	for some := range slices.Chunk(slices.Sorted(maps.Keys(asked)), store.Many) {
		kept, err := store.PointsOf(ctx, u.Tx, some)
		if err != nil {
			return nil, err
		}
		if u, err = u.withThings(ctx, some); err != nil {
			return nil, err
		}
		for _, name := range some {
			d := &sight{}
			if d.seen, err = u.glance(ctx, name); err != nil {
				return nil, err
			}
			p, err := points.DecodeSome(kept[name], asked[name])
			d.points, d.good = p, err == nil && p.Hold(d.seen.today, rules)
			out[name] = d
		}
	}
	return out, nil
}

// onDay is an item with a day, counters and a rate put to it.
func onDay(row *compliancev1.DueItem, p *points.Point, s seen) *compliancev1.DueItem {
	item := proto.CloneOf(row)
	putDay(item, p, s)
	return item
}

// putDay is onDay of a row that nobody else has, in its place.
func putDay(item *compliancev1.DueItem, p *points.Point, s seen) {
	item.AsOfDate, item.FlyingPlanVersion = protoDate(s.today), s.planned
	if !p.Counted {
		return
	}
	if p.Ended(s.today) {
		item.Extension = nil
	}
	item.Remaining = nil
	fill(item, p.On(stateOf(s)))
	item.Explanation += whence(item, p)
}

// then is the items of a list on an earlier day, in place, from history.
func (u unit) then(ctx context.Context, items []*compliancev1.DueItem, t *times) error {
	r, err := u.refresher(ctx)
	if err != nil {
		return err
	}
	r.then = t
	for i, item := range items {
		if items[i], err = r.refreshed(ctx, item); err != nil {
			return err
		}
	}
	return nil
}

// refresher computes due items without saving them, for today or as of a day; each subject is looked at once.
type refresher struct {
	unit

	subjects map[string]seen
	then     *times
}

func (u unit) refresher(ctx context.Context) (refresher, error) {
	u, err := u.withRules(ctx)
	return refresher{unit: u, subjects: map[string]seen{}}, err
}

func (u refresher) refreshed(ctx context.Context, item *compliancev1.DueItem) (*compliancev1.DueItem, error) {
	fresh, _, err := u.weighed(ctx, item)
	return fresh, err
}

// weighed is an item with how it comes about; nothing of that when nothing was known of the subject yet.
func (u refresher) weighed(ctx context.Context, item *compliancev1.DueItem) (fresh *compliancev1.DueItem, w weighed, err error) {
	s, err := u.look(ctx, item.GetSubject())
	if u.then != nil && fault.HasReason(err, "NOT_KNOWN_THEN") {
		decided(item, compliancev1.DueItem_NO_DATA, "Nothing was recorded of "+item.GetSubject()+" by then")
		return item, w, nil
	}
	if err != nil {
		return nil, w, err
	}
	r := s.requirement(item.GetRequirement())
	if r == nil {
		return nil, w, fault.Missing(item.GetRequirement())
	}
	if w, err = u.weigh(ctx, s, r); err != nil {
		return nil, w, err
	}
	fresh = w.tell(s)
	fresh.Etag, fresh.UpdateTime = item.GetEtag(), item.GetUpdateTime()
	return fresh, w, nil
}

func (u refresher) look(ctx context.Context, subject string) (seen, error) {
	if s, known := u.subjects[subject]; known {
		return s, nil
	}
	look := u.seeNow(ctx)
	if u.then != nil {
		look = func(name string) (seen, error) { return u.seeThen(ctx, name, *u.then, u.rules) }
	}
	s, err := look(subject)
	if err == nil {
		u.subjects[subject] = s
	}
	return s, err
}

// refreshed is one due item computed for today, without saving it.
func (u unit) refreshed(ctx context.Context, item *compliancev1.DueItem) (*compliancev1.DueItem, error) {
	r, err := u.refresher(ctx)
	if err != nil {
		return nil, err
	}
	return r.refreshed(ctx, item)
}
