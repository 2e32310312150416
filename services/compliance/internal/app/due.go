package app

import (
	"context"
	"fmt"
	"time"

	"google.golang.org/genproto/googleapis/type/date"
	"google.golang.org/protobuf/proto"

	compliancev1 "coldsection.example/proto/coldsection/compliance/v1"
	"coldsection.example/services/compliance/internal/apply"
	"coldsection.example/services/compliance/internal/civil"
	"coldsection.example/services/compliance/internal/store"
	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/storage"
)

// recompute works out every requirement of a subject anew, saves what changed and publishes changes of band. requirement narrows it
// to one; accomplishment, when set, is the record that moved it.
func (u unit) recompute(ctx context.Context, subject, requirement, accomplishment string) error {
	if u.later.takes(subject, requirement, accomplishment) {
		return nil
	}
	t, err := u.read(ctx, subject)
	if err != nil {
		return err
	}
	s, err := u.see(ctx, t)
	if err != nil {
		return err
	}
	items, err := store.DueItems.Where(ctx, u.Tx, "subject = $1", subject)
	if err != nil {
		return err
	}
	have := map[string]*compliancev1.DueItem{}
	for _, item := range items {
		have[item.GetRequirement()] = item
	}
	for _, r := range s.rules {
		old := have[r.GetName()]
		if requirement != "" && r.GetName() != requirement || old == nil && heldAgainst(r) != kindOf(subject) && s.records.decisions[r.GetName()] == nil {
			continue
		}
		if err := u.recomputeOne(ctx, s, r, old, accomplishment); err != nil {
			return fmt.Errorf("%s on %s: %w", r.GetName(), subject, err)
		}
	}
	return nil
}

// recomputeAll works out many subjects; what is required is read once.
func (u unit) recomputeAll(ctx context.Context, subjects []string, requirement string) (err error) {
	if u.later == nil {
		u, err = u.withRules(ctx)
	}
	if err != nil {
		return err
	}
	for _, subject := range subjects {
		if err := u.recompute(ctx, subject, requirement, ""); err != nil {
			return err
		}
	}
	return nil
}

// recomputeOne saves the item of a requirement that applies or may apply, and of one that once did.
func (u unit) recomputeOne(ctx context.Context, s seen, r *compliancev1.Requirement, old *compliancev1.DueItem, accomplishment string) error {
	w, err := u.weigh(ctx, s, r)
	if err != nil {
		return err
	}
	fresh := w.item
	if old == nil {
		if w.verdict.answer == apply.No || r.GetApplicability() == nil && w.verdict.decision == nil {
			return nil
		}
		if err := store.DueItems.Insert(ctx, u.Tx, fresh, u.now); err != nil {
			return err
		}
		return u.dueFacts(ctx, r, &compliancev1.DueItem{}, fresh, accomplishment)
	}
	if !sameButForTheDay(old, fresh) {
		if old, err = store.DueItems.Lock(ctx, u.Tx, old.GetName()); err != nil {
			return err
		}
		fresh.Etag = old.GetEtag()
		if err := store.DueItems.Save(ctx, u.Tx, fresh, u.now); err != nil {
			return err
		}
	}
	return u.dueFacts(ctx, r, old, fresh, accomplishment)
}

// sameButForTheDay reports whether two items differ in nothing but the day that they were worked out for, so that looking again
// is no change.
func sameButForTheDay(a, b *compliancev1.DueItem) bool {
	bare := func(i *compliancev1.DueItem) *compliancev1.DueItem {
		i = proto.CloneOf(i)
		i.AsOfDate, i.UpdateTime, i.Etag, i.Explanation = nil, nil, "", ""
		for _, r := range i.GetRemaining() {
			r.Left = 0
		}
		return i
	}
	return proto.Equal(bare(a), bare(b))
}

// dueFacts tells once per change of band, and when a record moved the item.
func (u unit) dueFacts(ctx context.Context, r *compliancev1.Requirement, old, fresh *compliancev1.DueItem, accomplishment string) error {
	fact := &compliancev1.DueChanged{
		DueItem: fresh.GetName(), Requirement: r.GetName(), RequirementCode: r.GetCode(), Subject: fresh.GetSubject(), TaskCard: r.GetTaskCard(),
		Band: fresh.GetBand().String(), PreviousBand: old.GetBand().String(), DueDate: fresh.GetDueDate(), Explanation: fresh.GetExplanation(),
		Accomplishment: accomplishment,
	}
	if accomplishment != "" {
		if err := u.publish(ctx, "coldsection.compliance.due.recalculated.v1", fresh.GetName(), fact); err != nil {
			return err
		}
	}
	if old.GetBand() == fresh.GetBand() {
		return nil
	}
	switch fresh.GetBand() {
	case compliancev1.DueItem_NEAR, compliancev1.DueItem_DUE, compliancev1.DueItem_ATTENTION:
		if old.GetBand() == compliancev1.DueItem_DUE || old.GetBand() == compliancev1.DueItem_NEAR {
			return nil
		}
		return u.publish(ctx, "coldsection.compliance.due.approached.v1", fresh.GetName(), fact)
	case compliancev1.DueItem_OVERDUE, compliancev1.DueItem_IN_TOLERANCE:
		return u.publish(ctx, "coldsection.compliance.due.passed.v1", fresh.GetName(), fact)
	default:
		return nil
	}
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
	s, err := u.look(ctx, item.GetSubject())
	if u.then != nil && fault.HasReason(err, "NOT_KNOWN_THEN") {
		decided(item, compliancev1.DueItem_NO_DATA, "Nothing was recorded of "+item.GetSubject()+" by then")
		return item, nil
	}
	if err != nil {
		return nil, err
	}
	r := s.requirement(item.GetRequirement())
	if r == nil {
		return nil, fault.Missing(item.GetRequirement())
	}
	fresh, err := u.work(ctx, s, r)
	if err != nil {
		return nil, err
	}
	fresh.Etag, fresh.UpdateTime = item.GetEtag(), item.GetUpdateTime()
	return fresh, nil
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

// GetDueItem reads a due item as of today.
func (a *App) GetDueItem(ctx context.Context, name string) (item *compliancev1.DueItem, err error) {
	err = a.DB.View(ctx, func(ctx context.Context, tx *storage.Tx) error {
		stored, err := store.DueItems.Get(ctx, tx, name)
		if err != nil {
			return err
		}
		item, err = a.unit(ctx, tx).refreshed(ctx, stored)
		return err
	})
	return item, err
}

// ListDueItems lists due items, each as of today or of an earlier day as it is known now; the order and filter are those of the newest
// sweep. Reason: DATE_IN_FUTURE.
func (a *App) ListDueItems(ctx context.Context, req *compliancev1.ListDueItemsRequest) (*compliancev1.ListDueItemsResponse, error) {
	then, err := a.endOf(req.GetAsOfDate())
	if err != nil {
		return nil, err
	}
	items, next, err := store.DueItems.List(ctx, a.DB, a.Lister, req, "")
	if err != nil {
		return nil, err
	}
	err = a.DB.View(ctx, func(ctx context.Context, tx *storage.Tx) error {
		u, err := a.unit(ctx, tx).refresher(ctx)
		if err != nil {
			return err
		}
		u.then = then
		for i, item := range items {
			if items[i], err = u.refreshed(ctx, item); err != nil {
				return err
			}
		}
		return nil
	})
	return &compliancev1.ListDueItemsResponse{DueItems: items, NextPageToken: next}, err
}

// endOf is the end of a civil day as it is known now, nil for no day. A day to come is refused: what will be due then depends on what is
// flown until then.
func (a *App) endOf(asked *date.Date) (*times, error) {
	if asked == nil {
		return nil, nil //nolint:nilnil // today
	}
	day, err := realDate("as_of_date", asked)
	if err != nil {
		return nil, err
	}
	now := a.Clock.Now()
	if civil.Of(now).Before(day) {
		return nil, fault.Invalid("as_of_date", "DATE_IN_FUTURE", "%s has not come yet. Ask for the forecast of due items.", day)
	}
	at := time.Date(day.Year, time.Month(day.Month), day.Day+1, 0, 0, 0, 0, time.UTC).Add(-time.Nanosecond)
	if now.Before(at) {
		at = now
	}
	return &times{at: at, known: now, day: day}, nil
}

// Sweep works everything out for a new day and tells what came near or passed, and which tools lapsed.
func (a *App) Sweep(ctx context.Context) error {
	var all []string
	err := a.DB.View(ctx, func(ctx context.Context, tx *storage.Tx) (err error) {
		all, err = a.unit(ctx, tx).everything(ctx)
		return err
	})
	if err != nil {
		return err
	}
	for _, subject := range all {
		if err := a.DB.Update(ctx, func(ctx context.Context, tx *storage.Tx) error {
			return a.unit(ctx, tx).recompute(ctx, subject, "", "")
		}); err != nil {
			return err
		}
	}
	return a.DB.Update(ctx, func(ctx context.Context, tx *storage.Tx) error { return a.unit(ctx, tx).sweepTools(ctx) })
}
