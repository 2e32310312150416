package app

import (
	"context"
	"runtime"
	"slices"
	"strconv"
	"strings"
	"sync"

	compliancev1 "coldsection.example/proto/coldsection/compliance/v1"
	"coldsection.example/services/compliance/internal/due"
	"coldsection.example/services/compliance/internal/points"
	"coldsection.example/services/compliance/internal/store"
	"coldsection.example/services/platform/auth"
	"coldsection.example/services/platform/resource"
	"coldsection.example/services/platform/storage"
)

// Sweep puts a new day to everything for which one began, tells what came near or passed, and tells which tools lapsed.
func (a *App) Sweep(ctx context.Context) error {
	if err := a.settle(ctx); err != nil {
		return err
	}
	return a.DB.Update(ctx, func(ctx context.Context, tx *storage.Tx) error {
		if err := a.unit(ctx, tx).keepIDs(ctx); err != nil {
			return err
		}
		return a.unit(ctx, tx).sweepTools(ctx)
	})
}

// together is how many subjects of a fleet a transaction works out. Their dates lie all over the indexes of the due list, so that one that writes few of
// them writes the same pages as the next; one that writes all would keep everybody else waiting.
const together = 4 * store.Many

// settle puts a new day to every subject for which one began since it was looked at, and works out those that follow from other requirements
// than there are now. Afterwards the row of every due item has the band that the item has.
func (a *App) settle(ctx context.Context) error {
	ctx = auth.NewContext(ctx, auth.Identity{}) // the whole fleet's, whoever asks
	var open names
	err := a.DB.View(ctx, func(ctx context.Context, tx *storage.Tx) error {
		rules, err := store.Rules(ctx, tx)
		if err != nil {
			return err
		}
		open, err = store.Unsettled(ctx, tx, a.Clock.Now(), rules)
		return err
	})
	if err != nil {
		return err
	}
	for some := range slices.Chunk(open, together) {
		if err := a.DB.Update(ctx, func(ctx context.Context, tx *storage.Tx) error { return a.unit(ctx, tx).newDay(ctx, some) }); err != nil {
			return err
		}
	}
	return nil
}

// RecomputeAll works out everything from history, whatever is kept.
func (a *App) RecomputeAll(ctx context.Context) error {
	var all names
	err := a.DB.View(ctx, func(ctx context.Context, tx *storage.Tx) (err error) {
		all, err = store.Everything(ctx, tx)
		return err
	})
	if err != nil {
		return err
	}
	for some := range slices.Chunk(all, together) {
		if err := a.DB.Update(ctx, func(ctx context.Context, tx *storage.Tx) error { return a.unit(ctx, tx).recomputeAll(ctx, some) }); err != nil {
			return err
		}
	}
	return nil
}

// sight is a subject with its points and what a new day changes of them.
type sight struct {
	seen   seen
	points points.Points
	good   bool
	turned []*points.Point // the row needs another band
	moved  []*points.Point // the row needs another date
	body   []byte          // the points as they are kept, where no row turned
	once   sync.Once       // whoever comes first looks
}

// newDay puts today to subjects. What is kept is enough, unless history may say otherwise by now.
func (u unit) newDay(ctx context.Context, subjects []string) error {
	u, err := u.withRules(ctx)
	if err != nil {
		return err
	}
	var again []string
	dates := map[string]string{}
	for some := range slices.Chunk(subjects, store.Many) {
		old, err := u.newDayOf(ctx, some, dates)
		if err != nil {
			return err
		}
		again = append(again, old...)
	}
	if err := store.MoveDates(ctx, u.Tx, dates); err != nil {
		return err
	}
	return u.recomputeThese(ctx, again, nil, "")
}

// newDayOf is newDay of at most store.Many. The dates that moved are added to those of others; subjects of which history has to be read are left.
func (u unit) newDayOf(ctx context.Context, subjects []string, dates map[string]string) (again []string, err error) {
	kept, err := store.LockPoints(ctx, u.Tx, subjects)
	if err != nil {
		return nil, err
	}
	days, err := u.days(ctx, subjects)
	if err != nil {
		return nil, err
	}
	look := func(i int) { days[i].once.Do(func() { days[i].look(kept[subjects[i]], u.book.ruleset) }) }
	defer lookBeside(len(days), look)()
	for i := range days {
		if look(i); !days[i].good {
			again = append(again, subjects[i])
		} else if err := u.saveDay(ctx, &days[i], dates); err != nil {
			return nil, err
		}
	}
	return again, nil
}

// lookBeside looks at all on the other cores, while what was looked at is written. What it returns waits for the last look.
func lookBeside(all int, look func(i int)) (wait func()) {
	var workers sync.WaitGroup
	for range min(all, runtime.GOMAXPROCS(0)) - 1 {
		workers.Go(func() {
			for i := range all {
				look(i)
			}
		})
	}
	return workers.Wait
}

// days are subjects of which the points are to be looked at.
func (u unit) days(ctx context.Context, subjects []string) ([]sight, error) {
	u, err := u.withThings(ctx, subjects)
	if err != nil {
		return nil, err
	}
	days := make([]sight, len(subjects))
	for i, name := range subjects {
		if days[i].seen, err = u.glance(ctx, name); err != nil {
			return nil, err
		}
	}
	return days, nil
}

// look counts every item and tells which rows have to be written anew.
func (d *sight) look(kept []byte, rules string) {
	p, err := points.Decode(kept)
	if d.points, d.good = p, err == nil && p.Hold(d.seen.today, rules); !d.good {
		return
	}
	now, slate := stateOf(d.seen), due.Slate{}
	for i := range p.Items {
		point := &p.Items[i]
		if !point.Counted {
			continue
		}
		r := point.OnSlate(&slate, now)
		if !point.Stale(r, now.Today) {
			continue
		}
		told := points.Told{Band: r.Band, Date: r.Date, Row: point.Told.Row}
		if point.Told.Band != told.Band {
			d.turned = append(d.turned, point)
		} else {
			d.moved = append(d.moved, point)
		}
		point.Told = told
	}
	if len(d.turned) == 0 {
		d.body = p.Encode()
	}
}

// glance is a subject as it is now, without its records.
func (u unit) glance(ctx context.Context, name string) (seen, error) {
	t, err := u.read(ctx, name)
	if err != nil {
		return seen{}, err
	}
	s := u.bare(t)
	err = u.surround(ctx, &s)
	return s, err
}

// saveDay writes what a day changed and tells what came near or passed. The dates that moved are added to those of other subjects, as all are
// written at once.
func (u unit) saveDay(ctx context.Context, d *sight, dates map[string]string) error {
	subject := d.seen.subject.GetName()
	for _, p := range d.moved {
		dates[dueName(p.Requirement, subject)] = resource.DateText(protoDate(p.Told.Date))
	}
	if len(d.turned) > 0 {
		if err := u.saveTurned(ctx, d); err != nil {
			return err
		}
		d.body = d.points.Encode()
	}
	return store.KeepPoints(ctx, u.Tx, subject, d.seen.begins(0), d.seen.begins(1), d.body)
}

func (u unit) saveTurned(ctx context.Context, d *sight) error {
	for some := range slices.Chunk(d.turned, store.Many) {
		all := make(names, len(some))
		for i, p := range some {
			all[i] = dueName(p.Requirement, d.seen.subject.GetName())
		}
		in, args := store.In("name", 1, all)
		items, err := store.DueItems.Where(ctx, u.Tx, in+" ORDER BY name", args...)
		if err != nil {
			return err
		}
		for _, old := range items {
			point := d.points.Of(old.GetRequirement())
			fresh := onDay(old, point, d.seen)
			point.Told.Row = saysOf(fresh).digest()
			if _, err := u.keepItem(ctx, u.rule(old.GetRequirement()), old, fresh, ""); err != nil {
				return err
			}
		}
	}
	return nil
}

// rule is a requirement by name, nil when it is not known.
func (u unit) rule(name string) *compliancev1.Requirement {
	return seen{rules: u.rules}.requirement(name)
}

// versionOf is how often a resource was written, by its etag.
func versionOf(m interface{ GetEtag() string }) int64 {
	n, err := strconv.ParseInt(strings.TrimPrefix(m.GetEtag(), "v"), 10, 64)
	if err != nil {
		return 0
	}
	return n
}
