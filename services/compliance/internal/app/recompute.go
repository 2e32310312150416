package app

import (
	"cmp"
	"context"
	"crypto/sha256"
	"encoding/binary"
	"fmt"
	"slices"
	"time"

	compliancev1 "coldsection.example/proto/coldsection/compliance/v1"
	"coldsection.example/services/compliance/internal/apply"
	"coldsection.example/services/compliance/internal/civil"
	"coldsection.example/services/compliance/internal/due"
	"coldsection.example/services/compliance/internal/points"
	"coldsection.example/services/compliance/internal/store"
	"coldsection.example/services/platform/resource"
)

// names are resource names; none stand for all.
type names []string

func (n names) hold(name string) bool { return len(n) == 0 || slices.Contains(n, name) }

// recompute works out every requirement of a subject anew from its history, saves what changed and publishes changes of band. requirement
// narrows it to one and what follows from it; accomplishment, when set, is the record that moved it.
func (u unit) recompute(ctx context.Context, subject, requirement, accomplishment string) error {
	if u.later.takes(subject, requirement, accomplishment) {
		return nil
	}
	u, err := u.withRules(ctx)
	if err != nil {
		return err
	}
	return u.recomputeThese(ctx, []string{subject}, u.following(requirement), accomplishment)
}

// recomputeAll works out everything on many subjects.
func (u unit) recomputeAll(ctx context.Context, subjects []string) error {
	if u.later != nil {
		for _, subject := range subjects {
			u.later.takes(subject, "", "")
		}
		return nil
	}
	u, err := u.withRules(ctx)
	if err != nil {
		return err
	}
	return u.recomputeThese(ctx, subjects, nil, "")
}

// following are a requirement and those whose items follow from its records: one that it ends, and those that count from an overhaul.
func (u unit) following(requirement string) (all names) {
	if requirement == "" {
		return nil
	}
	all = names{requirement}
	for _, r := range u.rules {
		if r.GetName() != requirement {
			continue
		}
		if r.GetTerminates() != "" {
			all = append(all, r.GetTerminates())
		}
		if r.GetKind() == compliancev1.Requirement_OVERHAUL {
			all = append(all, u.countingOverhauls()...)
		}
	}
	return all
}

func (u unit) countingOverhauls() (all names) {
	for _, r := range u.rules {
		if r.GetStartEvent() == compliancev1.Requirement_OVERHAUL_DONE {
			all = append(all, r.GetName())
		}
	}
	return all
}

// recordsFor are the requirements whose records some items follow from; none stand for all.
func (u unit) recordsFor(only names) names {
	if len(only) == 0 {
		return nil
	}
	overhauls := false
	for _, r := range u.rules {
		overhauls = overhauls || r.GetStartEvent() == compliancev1.Requirement_OVERHAUL_DONE && only.hold(r.GetName())
	}
	all := slices.Clone(only)
	for _, r := range u.rules {
		if r.GetTerminates() != "" && only.hold(r.GetTerminates()) || overhauls && r.GetKind() == compliancev1.Requirement_OVERHAUL {
			all = append(all, r.GetName())
		}
	}
	if len(all) > mostRecords {
		return nil
	}
	return all
}

// mostRecords is how many requirements' records are worth asking for one by one.
const mostRecords = 8

// recomputeThese works out subjects in lots. What is kept of a subject is locked before anything is read, so that two who change one subject
// wait for each other and neither works out what the other changed meanwhile.
func (u unit) recomputeThese(ctx context.Context, subjects []string, only names, accomplishment string) error {
	all := slices.Sorted(slices.Values(subjects))
	for some := range slices.Chunk(slices.Compact(all), store.Many) {
		u.loaded = nil
		kept, err := store.LockPoints(ctx, u.Tx, some)
		if err != nil {
			return err
		}
		before := u.decoded(kept)
		if u, err = u.withRecords(ctx, some, before.unsure(u, some, accomplishment), only); err != nil {
			return err
		}
		for _, subject := range some {
			if err := u.recomputeOne(ctx, subject, before, only, accomplishment); err != nil {
				return err
			}
		}
	}
	return nil
}

// keptPoints are what is kept of subjects, by name; what can't be read is as if nothing was kept.
type keptPoints map[string]*points.Points

func (u unit) decoded(kept map[string][]byte) keptPoints {
	all := keptPoints{}
	for name, body := range kept {
		p, err := points.Decode(body)
		if err != nil {
			p = points.Points{}
		}
		all[name] = &p
	}
	return all
}

// say reports whether the points of a subject say what its rows say: they were worked out from the same requirements, and no record is going to
// move an item, of which the row is told.
func (k keptPoints) say(u unit, subject, accomplishment string) bool {
	return accomplishment == "" && k[subject] != nil && k[subject].Rules == rulesOf(u.rules)
}

// unsure are the subjects of which the rows have to be read to know what they say.
func (k keptPoints) unsure(u unit, subjects []string, accomplishment string) (all []string) {
	for _, name := range subjects {
		if !k.say(u, name, accomplishment) {
			all = append(all, name)
		}
	}
	return all
}

// recomputeOne works out a subject that was read, and keeps its points. When those that are kept can't be added to, it is worked out
// whole.
func (u unit) recomputeOne(ctx context.Context, subject string, kept keptPoints, only names, accomplishment string) error {
	t, err := u.read(ctx, subject)
	if err != nil {
		return err
	}
	s, err := u.see(ctx, t)
	if err != nil {
		return err
	}
	p, before := points.Points{Rules: rulesOf(s.rules), Since: s.today}, kept[subject]
	if len(only) > 0 {
		if !before.Hold(s.today, p.Rules) && !before.Hold(s.today, u.before) {
			u.loaded = nil
			if u, err = u.withRecords(ctx, []string{subject}, kept.unsure(u, []string{subject}, accomplishment), nil); err != nil {
				return err
			}
			return u.recomputeOne(ctx, subject, kept, nil, accomplishment)
		}
		p.Until, p.Items = before.Until, slices.Clone(before.Items)
	} else if before != nil {
		p.Items = make([]points.Point, 0, len(before.Items))
	}
	if kept.say(u, subject, accomplishment) {
		s.kept = before
	}
	if err := u.recomputeItems(ctx, s, before, &p, only, accomplishment); err != nil {
		return fmt.Errorf("what is due on %s: %w", subject, err)
	}
	if len(only) > 0 { // the others may not have been looked at today
		return store.ChangePoints(ctx, u.Tx, subject, p.Rules, p.Encode())
	}
	return store.SavePoints(ctx, u.Tx, subject, p.Rules, s.begins(0), s.begins(1), p.Encode())
}

// fresh is an item that was worked out and may have to be written.
type fresh struct {
	weighed

	rule *compliancev1.Requirement
}

// recomputeItems works out items into p. One that comes out as it is kept is neither read nor written again, as on a new day. A row that stays as
// it is may have another date than the item, from before, which is put right.
func (u unit) recomputeItems(ctx context.Context, s seen, before, p *points.Points, only names, accomplishment string) error {
	var changed []fresh
	for _, r := range s.rules {
		have := s.kept.Of(r.GetName()) != nil || s.kept == nil && u.loaded.item(s, r) != nil
		if !only.hold(r.GetName()) || !have && heldAgainst(r) != kindOf(s.subject.GetName()) && s.records.decisions[r.GetName()] == nil {
			continue
		}
		w, err := u.weigh(ctx, s, r)
		if err != nil {
			return fmt.Errorf("%s: %w", r.GetName(), err)
		}
		if !have && (w.verdict.answer == apply.No || r.GetApplicability() == nil && w.verdict.decision == nil) {
			continue
		}
		p.Until = sooner(p.Until, w.until)
		if w.asKept(s.kept.Of(r.GetName())) {
			p.Set(w.point)
			continue
		}
		if w.kept {
			w.fill(s)
		}
		changed = append(changed, fresh{w, r})
	}
	if err := u.loadItems(ctx, s, changed); err != nil {
		return err
	}
	return u.settleItems(ctx, s, changed, before, p, accomplishment)
}

// settleItems saves items, unless their rows say the same, and puts them into p with what their rows say.
func (u unit) settleItems(ctx context.Context, s seen, changed []fresh, before, p *points.Points, accomplishment string) error {
	dates := map[string]string{}
	for i := range changed {
		w := &changed[i]
		saved, err := u.keepItem(ctx, w.rule, u.loaded.item(s, w.rule), w.item, accomplishment)
		if err != nil {
			return fmt.Errorf("%s: %w", w.rule.GetName(), err)
		}
		w.point.Told = toldOf(w.item)
		if was := before.Of(w.rule.GetName()); !saved && (was == nil || !was.Told.Listed(w.point.Told)) {
			dates[w.item.GetName()] = resource.DateText(w.item.GetDueDate())
		}
		p.Set(w.point)
	}
	return store.MoveDates(ctx, u.Tx, dates)
}

// asKept reports whether an item comes out as it is kept, so that its row says all that the item does beside what a day, counters and a rate change;
// the point then tells what the row does.
func (w *weighed) asKept(was *points.Point) bool {
	if was == nil || was.Told.Row != digest(w.item) || !w.kept && (w.point.Counted || was.Counted || string(was.Told.Band) != w.item.GetBand().String()) {
		return false
	}
	w.point.Told = was.Told
	return true
}

// digest tells what an item says, beside what a day, counters and a rate change, from what others say of the same requirement on the same subject.
func digest(item *compliancev1.DueItem) uint64 {
	b := make([]byte, 0, 256)
	for _, text := range []string{item.GetSubjectLabel(), item.GetLastAccomplishment(), item.GetBandReason()} {
		b = binary.AppendVarint(b, int64(len(text)))
		b = append(b, text...)
	}
	done, c, e := item.GetLastDoneDate(), item.GetLastDoneCounters(), item.GetExtension()
	for _, n := range []int64{
		int64(done.GetYear()), int64(done.GetMonth()), int64(done.GetDay()), c.GetOperatingSeconds(), c.GetCycles(), c.GetStarts(), c.GetLandings(),
		e.GetGrantTime().GetSeconds(), int64(e.GetGrantTime().GetNanos()), // one extension at the most after a record, which is never changed
	} {
		b = binary.AppendVarint(b, n)
	}
	sum := sha256.Sum256(b)
	return binary.LittleEndian.Uint64(sum[:])
}

// keepItem saves the item of a requirement that applies or may apply, and of one that once did, if it changed; and it tells.
func (u unit) keepItem(ctx context.Context, r *compliancev1.Requirement, old, fresh *compliancev1.DueItem, accomplishment string) (saved bool, err error) {
	if old == nil {
		if err := store.DueItems.InsertLater(ctx, u.Tx, fresh, u.now); err != nil {
			return true, err
		}
		return true, u.dueFacts(ctx, r, &compliancev1.DueItem{}, fresh, accomplishment)
	}
	if saved = !sameButForTheDay(old, fresh); saved {
		fresh.Etag = old.GetEtag()
		if err := store.DueItems.SaveLater(ctx, u.Tx, fresh, u.now); err != nil {
			return true, err
		}
	}
	return saved, u.dueFacts(ctx, r, old, fresh, accomplishment)
}

// toldOf is what the row of an item says.
func toldOf(item *compliancev1.DueItem) points.Told {
	return points.Told{Band: due.Band(item.GetBand().String()), Date: dateOf(item.GetDueDate()), Row: digest(item)}
}

// rulesOf tells these requirements from others, as store.Rules does.
func rulesOf(rules []*compliancev1.Requirement) string {
	versions := int64(0)
	for _, r := range rules {
		versions += versionOf(r)
	}
	return fmt.Sprintf("%d.%d", len(rules), versions)
}

// begins is the instant at which a day begins at a subject, so many days after today. An instant is named even where clocks skip midnight.
func (s seen) begins(days int) time.Time {
	zone := time.UTC
	if z, err := time.LoadLocation(cmp.Or(s.plane.GetTimeZone(), "UTC")); err == nil {
		zone = z
	}
	day := s.today.AddDays(days)
	at := time.Date(day.Year, time.Month(day.Month), day.Day, 0, 0, 0, 0, zone)
	for civil.Of(at) != day { // midnight was skipped, and the day before was told
		at = at.Add(time.Minute)
	}
	return at
}
