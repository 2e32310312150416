package app

import (
	"cmp"
	"context"
	"fmt"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	compliancev1 "coldsection.example/proto/coldsection/compliance/v1"
	"coldsection.example/services/compliance/internal/civil"
	"coldsection.example/services/compliance/internal/due"
	"coldsection.example/services/compliance/internal/store"
	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/idempotency"
	"coldsection.example/services/platform/recordchain"
	"coldsection.example/services/platform/resource"
	"coldsection.example/services/platform/storage"
)

// ExtendDueItem extends a due item once per interval, before it is past, by no more than the programme permits and to a last day.
func (a *App) ExtendDueItem(ctx context.Context, req *compliancev1.ExtendDueItemRequest) (*compliancev1.DueItem, error) {
	return idempotency.Execute(ctx, a.DB, a.Clock, req, func(ctx context.Context, tx *storage.Tx) (*compliancev1.DueItem, error) {
		u := a.unit(ctx, tx)
		stored, err := lockItem(ctx, tx, req.GetName())
		if err != nil {
			return nil, err
		}
		if err := resource.CheckEtag(stored, req.GetEtag()); err != nil {
			return nil, err
		}
		r, err := u.refresher(ctx)
		if err != nil {
			return nil, err
		}
		item, w, err := r.weighed(ctx, stored)
		if err != nil {
			return nil, err
		}
		extension := req.GetExtension()
		resource.ClearOutputOnly(extension)
		if err := u.mayExtend(ctx, item, w, extension); err != nil {
			return nil, err
		}
		extension.Person, extension.GrantTime = u.caller.Person, timestamppb.New(u.now)
		return u.extend(ctx, item, extension)
	})
}

// lockItem locks a due item, after what it is counted from, as everybody who works items out does: the other way round, two would wait for each other.
func lockItem(ctx context.Context, tx *storage.Tx, name string) (*compliancev1.DueItem, error) {
	item, err := store.DueItems.Get(ctx, tx, name)
	if err != nil {
		return nil, err
	}
	if _, err := store.LockPoints(ctx, tx, []string{item.GetSubject()}); err != nil {
		return nil, err
	}
	return store.DueItems.Lock(ctx, tx, name)
}

// mayExtend holds an extension against the item and against the limits that it is counted by today: the first or the repeated ones, from whatever they
// count.
func (u unit) mayExtend(ctx context.Context, item *compliancev1.DueItem, w weighed, extension *compliancev1.Extension) error {
	if _, err := store.People.Get(ctx, u.Tx, u.caller.Person); err != nil {
		if fault.HasReason(err, "NOT_FOUND") {
			return fault.Denied("EXTENSION_NOT_ALLOWED", "An extension names the person who grants it, and no person stands behind this account. Sign in as one of the quality staff.")
		}
		return err
	}
	r, limits := w.rule, w.point.Tree
	if band := item.GetBand(); band == compliancev1.DueItem_EXEMPT || band == compliancev1.DueItem_NO_DATA {
		return fault.Precondition("EXTENSION_NOT_ALLOWED", "%s has nothing to extend: %s.", r.GetCode(), item.GetBandReason())
	}
	if item.GetBand() == compliancev1.DueItem_OVERDUE || item.GetBand() == compliancev1.DueItem_ATTENTION {
		return fault.Precondition("EXTENSION_NOT_ALLOWED", "%s is past already on %s. An extension is granted before that; do the work.", r.GetCode(), item.GetSubjectLabel())
	}
	if err := classOf(r).May(extensionOf(extension), permitted(r.GetTolerance(), limits), limits); err != nil {
		return err
	}
	return mayStop(item, extension)
}

// mayStop refuses a last day that is over, or that lies beyond what days were asked for on top of the calendar limits.
func mayStop(item *compliancev1.DueItem, extension *compliancev1.Extension) error {
	const field = "extension.hard_stop_date"
	stop, err := realDate(field, extension.GetHardStopDate())
	if err != nil {
		return err
	}
	if today := dateOf(item.GetAsOfDate()); stop.Before(today) {
		return fault.Invalid(field, "EXTENSION_NOT_ALLOWED", "The extension would end on %s, before today, %s. Give a day to come.", stop, today)
	}
	var last civil.Date
	for _, l := range item.GetRemaining() {
		if d := dateOf(l.GetLimitDate()); !d.IsZero() && (last.IsZero() || last.Before(d)) {
			last = d
		}
	}
	if latest := last.AddDays(int(extension.GetDays())); !last.IsZero() && latest.Before(stop) {
		return fault.Invalid(field, "EXTENSION_TOO_LONG", "The last calendar limit, %s, and %d days more end on %s, before %s. Give no later day.", last, extension.GetDays(), latest, stop)
	}
	return nil
}

func (u unit) extend(ctx context.Context, item *compliancev1.DueItem, e *compliancev1.Extension) (*compliancev1.DueItem, error) {
	fresh, err := store.AddExtension(ctx, u.Tx, item.GetSubject(), item.GetName(), item.GetLastAccomplishment(), e)
	if err != nil {
		return nil, err
	}
	if !fresh {
		return nil, fault.Precondition("EXTENSION_NOT_ALLOWED", "%s was extended once since it was last done, and extensions don't add up. Do the work.", item.GetRequirementCode())
	}
	if _, _, err := recordchain.Append(ctx, u.Tx, recordchain.Entry{
		Stream: "extensions", Kind: "extended", Subject: item.GetName(), At: u.now, Actor: u.caller.Account, Fields: []recordchain.Field{
			{Name: "after", Value: item.GetLastAccomplishment()}, {Name: "seconds", Value: fmt.Sprint(e.GetOperatingSeconds())},
			{Name: "cycles", Value: fmt.Sprint(e.GetCycles())}, {Name: "days", Value: fmt.Sprint(e.GetDays())},
			{Name: "hard_stop", Value: dateOf(e.GetHardStopDate()).String()}, {Name: "authority", Value: e.GetAuthorityReference()},
			{Name: "reason", Value: e.GetReason()}, {Name: "person", Value: e.GetPerson()},
		},
	}); err != nil {
		return nil, err
	}
	if err := u.recompute(ctx, item.GetSubject(), item.GetRequirement(), ""); err != nil {
		return nil, err
	}
	if err := u.publish(ctx, "coldsection.compliance.extension.granted.v1", item.GetName(),
		&compliancev1.ExtensionGranted{DueItem: item.GetName(), Extension: e}); err != nil {
		return nil, err
	}
	return store.DueItems.Get(ctx, u.Tx, item.GetName())
}

func classOf(r interface {
	GetKind() compliancev1.Requirement_Kind
}) due.Class {
	switch r.GetKind() {
	case compliancev1.Requirement_DIRECTIVE:
		return due.Directive
	case compliancev1.Requirement_LIFE_LIMIT:
		return due.LifeLimit
	default:
		return due.Programme
	}
}

// permitted is what the programme permits the limits to vary by.
func permitted(t *compliancev1.Tolerance, limits due.Tree) due.Extension {
	var table []due.Step
	for _, s := range t.GetSteps() {
		table = append(table, due.Step{Unit: due.Unit(s.GetUnit()), Longest: s.GetLongestInterval(), Percent: int64(s.GetPercent()), Most: s.GetMost()})
	}
	return due.Permitted(due.Extension{Seconds: t.GetOperatingSeconds(), Cycles: t.GetCycles(), Days: int64(t.GetDays())}, table, limits)
}

func extensionOf(e *compliancev1.Extension) due.Extension {
	return due.Extension{Seconds: e.GetOperatingSeconds(), Cycles: e.GetCycles(), Days: int64(e.GetDays()), Stop: dateOf(e.GetHardStopDate())}
}

// inForce keeps an item's extension while it is in force, and returns what it gives by the rules of today: no more than the requirement permits now,
// whatever was granted before it was revised, and nothing of what was granted before the event that the interval counts from.
func (w *weighed) inForce(s seen, limits due.Tree, began civil.Date) due.Extension {
	if len(s.records.extensions) == 0 {
		return due.Extension{}
	}
	of := store.Extended{Item: dueName(w.rule.GetName(), s.subject.GetName())}
	if w.last != nil {
		of.After = w.last.Name
	}
	e := s.records.extensions[of]
	if e == nil {
		return due.Extension{}
	}
	if granted := e.GetGrantTime().AsTime(); s.past && (s.at.Before(granted) || s.known.Before(granted)) || dateOf(e.GetHardStopDate()).Before(s.today) {
		return due.Extension{}
	}
	if civil.Of(e.GetGrantTime().AsTime().In(cmp.Or(s.zone, time.UTC))).Before(began) {
		return due.Extension{}
	}
	left, why := classOf(w.rule).InForce(extensionOf(e), permitted(w.rule.GetTolerance(), limits), limits)
	if w.extension = e; why != "" {
		w.extension = proto.CloneOf(e)
		w.extension.OperatingSeconds, w.extension.Cycles, w.extension.Days = left.Seconds, left.Cycles, int32(left.Days)
		w.extension.CutReason = fmt.Sprintf("The extension under %s is cut: %s", e.GetAuthorityReference(), why)
	}
	return left
}
