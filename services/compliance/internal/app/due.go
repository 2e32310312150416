package app

import (
	"context"
	"time"

	"google.golang.org/genproto/googleapis/type/date"
	"google.golang.org/protobuf/proto"

	compliancev1 "coldsection.example/proto/coldsection/compliance/v1"
	"coldsection.example/services/compliance/internal/civil"
	"coldsection.example/services/compliance/internal/store"
	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/storage"
)

// sameButForTheDay reports whether two items differ in nothing but the day that they were worked out for, so that looking again
// is no change.
func sameButForTheDay(a, b *compliancev1.DueItem) bool {
	bare := func(i *compliancev1.DueItem) *compliancev1.DueItem {
		i = proto.CloneOf(i)
		i.AsOfDate, i.UpdateTime, i.Etag, i.Explanation = nil, nil, "", ""
		i.FlyingPlanVersion = 0 // told of whoever reads
		for _, r := range i.GetRemaining() {
			r.Left = 0
		}
		return i
	}
	return proto.Equal(bare(a), bare(b))
}

// dueFacts tells once per change of band, when a record moved the item, and when a rule that changed cut its extension.
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
	if why := fresh.GetExtension().GetCutReason(); why != "" && why != old.GetExtension().GetCutReason() {
		if err := u.publish(ctx, "coldsection.compliance.extension.reduced.v1", fresh.GetName(),
			&compliancev1.ExtensionReduced{DueItem: fresh.GetName(), Extension: fresh.GetExtension()}); err != nil {
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

// ListDueItems lists due items, each as of today or of an earlier day as it is known now. The filter and the order are those of today: bands
// are exact, and a projected date counts as it was when it was last put down, which is never later than it is, and earlier by at most a
// tenth of the days that are left. Reason: DATE_IN_FUTURE.
func (a *App) ListDueItems(ctx context.Context, req *compliancev1.ListDueItemsRequest) (*compliancev1.ListDueItemsResponse, error) {
	then, err := a.endOf(req.GetAsOfDate())
	if err != nil {
		return nil, err
	}
	if err := a.settle(ctx); err != nil {
		return nil, err
	}
	resp := &compliancev1.ListDueItemsResponse{}
	err = a.DB.View(ctx, func(ctx context.Context, tx *storage.Tx) (err error) {
		if resp.DueItems, resp.NextPageToken, err = store.DueItems.ListIn(ctx, tx, a.Lister, req); err != nil {
			return err
		}
		u := a.unit(ctx, tx)
		if then == nil {
			return u.today(ctx, resp.GetDueItems())
		}
		return u.then(ctx, resp.GetDueItems(), then)
	})
	return resp, err
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
