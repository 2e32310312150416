package app

import (
	"cmp"
	"context"
	"crypto/sha256"
	"encoding/binary"
	"fmt"
	"slices"
	"time"

	"google.golang.org/genproto/googleapis/type/date"
	"google.golang.org/protobuf/types/known/timestamppb"

	compliancev1 "coldsection.example/proto/coldsection/compliance/v1"
	"coldsection.example/services/compliance/internal/apply"
	"coldsection.example/services/compliance/internal/civil"
	"coldsection.example/services/compliance/internal/due"
	"coldsection.example/services/compliance/internal/points"
	"coldsection.example/services/compliance/internal/store"
	"coldsection.example/services/platform/resource"
	"coldsection.example/services/platform/storage"
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

// found is what was worked out of a subject.
type found struct {
	unit
	job

	seen    seen
	old     points.Points // what was kept
	points  points.Points
	changed []fresh           // what may have to be written
	moved   map[string]string // the dates of rows that say all else that their items do, by name
	body    []byte            // the points as they are kept
	err     error
}

// fresh is an item that was worked out and may have to be written.
type fresh struct {
	rule *compliancev1.Requirement
	item *compliancev1.DueItem
	told points.Told
}

// find works out a subject that was read. When what is kept of it can't be read or added to, it is worked out whole.
func (u unit) find(ctx context.Context, subject string, j job) (f found) {
	f.unit, f.job = u, j
	var t thing
	if t, f.err = u.read(ctx, subject); f.err != nil {
		return f
	}
	if f.seen, f.err = u.see(ctx, t); f.err != nil {
		return f
	}
	f.seen.date = protoDate(f.seen.today)
	old, err := points.DecodeInto(j.rooms.take(), j.kept[subject])
	if said := j.say(subject); said && err != nil {
		j.kept = nil
		return u.findWhole(ctx, subject, j)
	} else if said {
		f.seen.kept, f.seen.slate = &f.old, &due.Slate{}
	}
	f.old, f.points = old, points.Points{Rules: j.ruleset, Since: f.seen.today, Items: slices.Grow(j.rooms.take(), len(old.Items))}
	if len(j.only) > 0 {
		if !old.Hold(f.seen.today, j.ruleset) && !old.Hold(f.seen.today, u.before) {
			return u.findWhole(ctx, subject, j)
		}
		f.points.Until, f.points.Items = old.Until, append(f.points.Items, old.Items...)
	}
	f.err = f.weighItems(ctx)
	return f
}

// findWhole is find of which more has to be read.
func (u unit) findWhole(ctx context.Context, subject string, j job) found {
	j.only = nil
	u, err := u.withRecords(ctx, []string{subject}, j.unsure([]string{subject}))
	if err != nil {
		return found{err: err}
	}
	return u.find(ctx, subject, j)
}

// weighItems works out the items. One that comes out as it is kept is neither read nor written again, as on a new day.
func (f *found) weighItems(ctx context.Context) error {
	s, kept := f.seen, f.seen.kept.Walk()
	for _, r := range s.rules {
		s.was = kept.To(r.GetName())
		have := s.was != nil || s.kept == nil && f.loaded.item(s, r) != nil
		if !f.only.hold(r.GetName()) || !have && heldAgainst(r) != kindOf(s.subject.GetName()) && s.records.decisions[r.GetName()] == nil {
			continue
		}
		w, err := f.weigh(ctx, s, r)
		if err != nil {
			return fmt.Errorf("%s: %w", r.GetName(), err)
		}
		if !have && (w.verdict.answer == apply.No || r.GetApplicability() == nil && w.verdict.decision == nil) {
			continue
		}
		f.points.Until = sooner(f.points.Until, w.until)
		f.take(&w, s)
		f.points.Set(w.point)
	}
	f.body = f.points.Encode()
	return nil
}

// take notes what has to be written of an item that was worked out, and what its row says then.
func (f *found) take(w *weighed, s seen) {
	if !w.asKept(s) {
		item := w.tell(s)
		w.point.Told = toldOf(item)
		f.changed = append(f.changed, fresh{w.rule, item, w.point.Told})
	} else if !s.was.Told.Listed(w.point.Told) {
		f.move(dueName(w.rule.GetName(), s.subject.GetName()), protoDate(w.point.Told.Date))
	}
}

// move notes the date of a row that says all else that its item does.
func (f *found) move(item string, to *date.Date) {
	if f.moved == nil {
		f.moved = map[string]string{}
	}
	f.moved[item] = resource.DateText(to)
}

// save writes the items that changed, tells of them, and keeps the points, in a transaction beside which the rest may have been done.
func (f *found) save(ctx context.Context, tx *storage.Tx) error {
	f.Tx = tx
	if err := f.loadItems(ctx, f.seen, f.changed); err != nil {
		return err
	}
	if err := f.settleItems(ctx); err != nil {
		return err
	}
	subject := f.seen.subject.GetName()
	if len(f.only) > 0 { // the others may not have been looked at today
		return store.ChangePoints(ctx, f.Tx, subject, f.points.Rules, f.body)
	}
	if f.old.Rules == f.points.Rules {
		return store.KeepPoints(ctx, f.Tx, subject, f.seen.begins(0), f.seen.begins(1), f.body)
	}
	return store.SavePoints(ctx, f.Tx, subject, f.points.Rules, f.seen.begins(0), f.seen.begins(1), f.body)
}

// settleItems saves items, unless their rows say the same. A row that stays as it is may have another date than the item, from before, which is
// put right.
func (f *found) settleItems(ctx context.Context) error {
	for _, w := range f.changed {
		saved, err := f.keepItem(ctx, w.rule, f.loaded.items[w.item.GetName()], w.item, f.accomplishment)
		if err != nil {
			return fmt.Errorf("%s: %w", w.rule.GetName(), err)
		}
		if was := f.old.Of(w.rule.GetName()); !saved && (was == nil || !was.Told.Listed(w.told)) {
			f.move(w.item.GetName(), w.item.GetDueDate())
		}
	}
	return nil
}

// asKept reports whether an item comes out as it is kept, so that its row says all that the item does beside what a day, counters and a rate change;
// the point then tells what the row does, once its date is put right as a new day does.
func (w *weighed) asKept(s seen) bool {
	was := s.was
	if was == nil || !w.kept && (w.point.Counted || was.Counted || string(was.Told.Band) != w.band.String()) || was.Told.Row != w.says(s).digest() {
		return false
	}
	if !w.kept {
		w.point.Told = was.Told
	}
	return true
}

// says is what a row says of a requirement on a subject that neither a day nor counters nor a rate change.
type says struct {
	label, last, reason string
	cut                 string // why less counts of the extension than was granted
	done                civil.Date
	counters            due.Counters
	landings            int64
	granted             *timestamppb.Timestamp // of the extension: one at the most after a record, which is never changed
}

func (w *weighed) says(s seen) says {
	y := says{label: label(s.subject), reason: w.reason, granted: w.extension.GetGrantTime(), cut: w.extension.GetCutReason()}
	if a := w.last; a != nil {
		y.last, y.done, y.counters, y.landings = a.Name, a.DoneDate, a.Counters, a.Landings
	}
	return y
}

func saysOf(item *compliancev1.DueItem) says {
	return says{
		label: item.GetSubjectLabel(), last: item.GetLastAccomplishment(), reason: item.GetBandReason(), done: dateOf(item.GetLastDoneDate()),
		counters: countersOf(item.GetLastDoneCounters()), landings: item.GetLastDoneCounters().GetLandings(), granted: item.GetExtension().GetGrantTime(),
		cut: item.GetExtension().GetCutReason(),
	}
}

// digest tells it from what others say of the same requirement on the same subject.
func (y says) digest() uint64 {
	var room [256]byte
	b := room[:0]
	for _, text := range []string{y.label, y.last, y.reason} {
		b = binary.AppendVarint(b, int64(len(text)))
		b = append(b, text...)
	}
	for _, n := range []int64{
		int64(y.done.Year), int64(y.done.Month), int64(y.done.Day), y.counters.Seconds, y.counters.Cycles, y.counters.Starts, y.landings,
		y.granted.GetSeconds(), int64(y.granted.GetNanos()),
	} {
		b = binary.AppendVarint(b, n)
	}
	b = append(b, y.cut...)
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
	return points.Told{Band: due.Band(item.GetBand().String()), Date: dateOf(item.GetDueDate()), Row: saysOf(item).digest()}
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
	zone := cmp.Or(s.zone, time.UTC)
	day := s.today.AddDays(days)
	at := time.Date(day.Year, time.Month(day.Month), day.Day, 0, 0, 0, 0, zone)
	for civil.Of(at) != day { // midnight was skipped, and the day before was told
		at = at.Add(time.Minute)
	}
	return at
}
