package app

import (
	"cmp"
	"context"
	"fmt"
	"slices"
	"time"

	"google.golang.org/protobuf/proto"

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
		if u, err = u.withRecords(ctx, some, only); err != nil {
			return err
		}
		for _, subject := range some {
			if err := u.recomputeOne(ctx, subject, kept[subject], only, accomplishment); err != nil {
				return err
			}
		}
	}
	return nil
}

// recomputeOne works out a subject that was read, and keeps its points. When those that are kept can't be added to, it is worked out
// whole.
func (u unit) recomputeOne(ctx context.Context, subject string, kept []byte, only names, accomplishment string) error {
	t, err := u.read(ctx, subject)
	if err != nil {
		return err
	}
	s, err := u.see(ctx, t)
	if err != nil {
		return err
	}
	p := points.Points{Rules: rulesOf(s.rules), Since: s.today}
	before, err := points.Decode(kept)
	if len(only) > 0 {
		if err != nil || !before.Hold(s.today, p.Rules) && !before.Hold(s.today, u.before) {
			u.loaded = nil
			if u, err = u.withRecords(ctx, []string{subject}, nil); err != nil {
				return err
			}
			return u.recomputeOne(ctx, subject, kept, nil, accomplishment)
		}
		p.Until, p.Items = before.Until, slices.Clone(before.Items)
	}
	if accomplishment == "" && before.Rules == p.Rules {
		s.kept = &before
	}
	if err := u.recomputeItems(ctx, s, before, &p, only, accomplishment); err != nil {
		return fmt.Errorf("what is due on %s: %w", subject, err)
	}
	if len(only) > 0 { // the others may not have been looked at today
		return store.ChangePoints(ctx, u.Tx, subject, p.Rules, p.Encode())
	}
	return store.SavePoints(ctx, u.Tx, subject, p.Rules, s.begins(0), s.begins(1), p.Encode())
}

// recomputeItems works out items into p. One that comes out as it is kept is not written again, as on a new day. A row that stays as it is may
// have another date than the item, from before, which is put right.
func (u unit) recomputeItems(ctx context.Context, s seen, before points.Points, p *points.Points, only names, accomplishment string) error {
	subject, dates := s.subject.GetName(), map[string]string{}
	have := map[string]*compliancev1.DueItem{}
	for _, item := range u.loaded.items[subject] {
		have[item.GetRequirement()] = item
	}
	for _, r := range s.rules {
		old := have[r.GetName()]
		if !only.hold(r.GetName()) || old == nil && heldAgainst(r) != kindOf(subject) && s.records.decisions[r.GetName()] == nil {
			continue
		}
		w, err := u.weigh(ctx, s, r)
		if err != nil {
			return fmt.Errorf("%s: %w", r.GetName(), err)
		}
		if old == nil && (w.verdict.answer == apply.No || r.GetApplicability() == nil && w.verdict.decision == nil) {
			continue
		}
		saved, err := u.settleItem(ctx, s, r, old, &w, accomplishment)
		if err != nil {
			return fmt.Errorf("%s: %w", r.GetName(), err)
		}
		if was := before.Of(r.GetName()); !saved && (was == nil || was.Told != w.point.Told) {
			dates[w.item.GetName()] = resource.DateText(w.item.GetDueDate())
		}
		p.Until = sooner(p.Until, w.until)
		p.Set(w.point)
	}
	return store.MoveDates(ctx, u.Tx, dates)
}

// settleItem saves an item, unless it came out as it is kept, and tells its point what the row says.
func (u unit) settleItem(ctx context.Context, s seen, r *compliancev1.Requirement, old *compliancev1.DueItem, w *weighed, accomplishment string) (saved bool, err error) {
	if w.kept && saysTheSame(old, w.item, w.point.Told.Band) {
		return false, nil
	}
	if w.kept {
		w.fill(s)
	}
	saved, err = u.keepItem(ctx, r, old, w.item, accomplishment)
	w.point.Told = toldOf(w.item)
	return saved, err
}

// saysTheSame reports whether a row says what an item says beside what a day, counters and a rate change.
func saysTheSame(row, item *compliancev1.DueItem, band due.Band) bool {
	return row.GetBand().String() == string(band) && row.GetSubjectLabel() == item.GetSubjectLabel() && row.GetLastAccomplishment() == item.GetLastAccomplishment() &&
		row.GetBandReason() == item.GetBandReason() && proto.Equal(row.GetExtension(), item.GetExtension()) &&
		proto.Equal(row.GetLastDoneCounters(), item.GetLastDoneCounters())
}

// keepItem saves the item of a requirement that applies or may apply, and of one that once did, if it changed; and it tells.
func (u unit) keepItem(ctx context.Context, r *compliancev1.Requirement, old, fresh *compliancev1.DueItem, accomplishment string) (saved bool, err error) {
	if old == nil {
		if err := store.DueItems.Insert(ctx, u.Tx, fresh, u.now); err != nil {
			return true, err
		}
		return true, u.dueFacts(ctx, r, &compliancev1.DueItem{}, fresh, accomplishment)
	}
	if saved = !sameButForTheDay(old, fresh); saved {
		fresh.Etag = old.GetEtag()
		if err := store.DueItems.Save(ctx, u.Tx, fresh, u.now); err != nil {
			return true, err
		}
	}
	return saved, u.dueFacts(ctx, r, old, fresh, accomplishment)
}

// toldOf is what the row of an item says.
func toldOf(item *compliancev1.DueItem) points.Told {
	return points.Told{Band: due.Band(item.GetBand().String()), Date: dateOf(item.GetDueDate())}
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
