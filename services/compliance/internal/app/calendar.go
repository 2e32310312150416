package app

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"strings"
	"time"

	compliancev1 "coldsection.example/proto/coldsection/compliance/v1"
	"coldsection.example/services/compliance/internal/due"
	"coldsection.example/services/compliance/internal/store"
	"coldsection.example/services/platform/auth"
	"coldsection.example/services/platform/icalendar"
	"coldsection.example/services/platform/resource"
	"coldsection.example/services/platform/storage"
)

// refreshHours is how often a reader of a calendar is asked to look again.
const refreshHours = 4

// cancelledShown is for how long a calendar shows that an entry was cancelled: 90 days, in which every program that still reads it has looked.
// Afterwards the entry is left out. Its sequence number is kept, so that it goes on from there should the item be due again.
const cancelledShown = 90 * 24 * time.Hour

// GetCalendar reads a calendar by its secret. What it says is kept, so that a change counts up and no change gives the same bytes.
// Reason: NOT_FOUND.
func (a *App) GetCalendar(ctx context.Context, req *compliancev1.GetCalendarRequest) (*compliancev1.Calendar, error) {
	hash := auth.HashSecret(strings.TrimSuffix(strings.TrimPrefix(req.GetName(), "calendars/"), ".ics"))
	feed, err := a.feedOf(ctx, hash)
	if err != nil {
		return nil, err
	}
	items, err := a.dueIn(ctx, feed)
	if err != nil {
		return nil, err
	}
	var entries []store.CalendarEntry
	err = a.DB.Update(ctx, func(ctx context.Context, tx *storage.Tx) (err error) {
		if _, err := store.CalendarFeeds.Lock(ctx, tx, feed.GetName()); err != nil {
			return err
		}
		if _, err := store.FeedOfSecret(ctx, tx, hash); err != nil { // it may have been ended since
			return err
		}
		entries, err = a.unit(ctx, tx).tell(ctx, feed.GetName(), items)
		return err
	})
	if err != nil {
		return nil, err
	}
	return calendarOf(feed, entries)
}

func (a *App) feedOf(ctx context.Context, hash string) (feed *compliancev1.CalendarFeed, err error) {
	err = a.DB.View(ctx, func(ctx context.Context, tx *storage.Tx) error {
		name, err := store.FeedOfSecret(ctx, tx, hash)
		if err != nil {
			return err
		}
		feed, err = store.CalendarFeeds.Get(ctx, tx, name)
		return err
	})
	return feed, err
}

// dueIn are the due items that a calendar shows, as of today, as its account would see them.
func (a *App) dueIn(ctx context.Context, feed *compliancev1.CalendarFeed) ([]*compliancev1.DueItem, error) {
	ctx = auth.NewContext(ctx, auth.Identity{Account: feed.GetAccount(), Owners: feed.GetOwners()})
	var all []*compliancev1.DueItem
	req := &compliancev1.ListDueItemsRequest{PageSize: 1000, Filter: feed.GetDueFilter()}
	for {
		page, err := a.ListDueItems(ctx, req)
		if err != nil {
			return nil, err
		}
		all = append(all, page.GetDueItems()...)
		if page.GetNextPageToken() == "" {
			return all, nil
		}
		req.PageToken = page.GetNextPageToken()
	}
}

// tell brings what a calendar said up to date: new items come in, changed ones count up, and what is no longer due is cancelled, and left out
// when that was shown for long enough.
func (u unit) tell(ctx context.Context, feed string, items []*compliancev1.DueItem) ([]store.CalendarEntry, error) {
	said, err := store.CalendarEntries(ctx, u.Tx, feed)
	if err != nil {
		return nil, err
	}
	before := map[string]store.CalendarEntry{}
	for _, e := range said {
		before[e.DueItem] = e
	}
	var out []store.CalendarEntry
	for _, item := range items {
		old, known := before[item.GetName()]
		fresh, shown := u.entryOf(item, old)
		if !shown {
			continue
		}
		delete(before, item.GetName())
		if fresh, err = u.keep(ctx, feed, old, fresh, known); err != nil {
			return nil, err
		}
		out = append(out, fresh)
	}
	for _, e := range said {
		old, gone := before[e.DueItem]
		if !gone {
			continue
		}
		e.Cancelled = true
		if e, err = u.keep(ctx, feed, old, e, true); err != nil {
			return nil, err
		}
		if u.now.Sub(e.Changed) <= cancelledShown {
			out = append(out, e)
		}
	}
	return out, nil
}

// keep saves an entry when it changed, with the next sequence number.
func (u unit) keep(ctx context.Context, feed string, old, fresh store.CalendarEntry, known bool) (store.CalendarEntry, error) {
	fresh.Sequence, fresh.Changed = old.Sequence, old.Changed
	if known && fresh == old {
		return old, nil
	}
	fresh.Changed = u.now
	if known {
		fresh.Sequence++
	}
	return fresh, store.SaveCalendarEntry(ctx, u.Tx, feed, fresh)
}

// entryOf is what a calendar says of a due item; false when it has nothing to show. It says nothing that changes by the day alone. What
// has no date any more, as it is overdue by hours, or its flying rate or something else is not known, stays where it was: a cancelled entry
// would say that nothing is due. What never had one is shown today when it is near or past.
func (u unit) entryOf(item *compliancev1.DueItem, old store.CalendarEntry) (store.CalendarEntry, bool) {
	e := store.CalendarEntry{DueItem: item.GetName(), Day: resource.DateText(item.GetDueDate())}
	band, dated := item.GetBand(), e.Day != ""
	switch {
	case dated:
	case band == compliancev1.DueItem_EXEMPT:
		return e, false
	case old.Day != "":
		e.Day = old.Day
	case band == compliancev1.DueItem_CURRENT || band == compliancev1.DueItem_NO_DATA:
		return e, false
	default:
		e.Day = resource.DateText(item.GetAsOfDate())
	}
	e.Summary = fmt.Sprintf("%s: %s %s", item.GetSubjectLabel(), item.GetRequirementCode(), item.GetRequirementTitle())
	e.Description = fmt.Sprintf("%s\nDriven by %s.%s", item.GetName(), item.GetDrivingUnit(), limitsOf(item))
	switch {
	case band == compliancev1.DueItem_OVERDUE || band == compliancev1.DueItem_IN_TOLERANCE:
		e.Summary = "Overdue, " + e.Summary
	case band == compliancev1.DueItem_NO_DATA:
		e.Summary = "Not known when due, " + e.Summary
		e.Description = item.GetName() + "\n" + item.GetBandReason() + "."
	case !dated:
		e.Summary += " (no day is known now)"
	case item.GetDrivingUnit() != due.Days.Driver():
		e.Summary += " (day projected from " + item.GetDrivingUnit() + ")"
		e.Description += "\nThe day is projected from what is expected to be flown; the limit is what counts."
	}
	return e, true
}

// limitsOf says what each limit of a due item is, not how much is left.
func limitsOf(item *compliancev1.DueItem) (text string) {
	for _, r := range item.GetRemaining() {
		switch {
		case r.GetLimitDate() != nil:
			text += "\nAt the latest on " + resource.DateText(r.GetLimitDate()) + "."
		case r.GetUnit() == compliancev1.IntervalLimit_HOURS:
			text += fmt.Sprintf("\nAt %d:%02d h.", r.GetDueCounter()/3600, r.GetDueCounter()%3600/60)
		default:
			text += fmt.Sprintf("\nAt %d %s.", r.GetDueCounter(), strings.ToLower(r.GetUnit().String()))
		}
	}
	return text
}

func calendarOf(feed *compliancev1.CalendarFeed, entries []store.CalendarEntry) (*compliancev1.Calendar, error) {
	days := make([]icalendar.Day, len(entries))
	for i, e := range entries {
		id := sha256.Sum256([]byte(feed.GetName() + " " + e.DueItem))
		days[i] = icalendar.Day{
			UID: hex.EncodeToString(id[:16]) + "@coldsection", Date: e.Day, Changed: e.Changed, Sequence: int(e.Sequence), Summary: e.Summary,
			Description: e.Description, Cancelled: e.Cancelled,
		}
	}
	text, err := icalendar.Write(feed.GetDisplayName(), refreshHours, days)
	if err != nil {
		return nil, err
	}
	sum := sha256.Sum256(text)
	return &compliancev1.Calendar{
		Name: "calendars/-", Content: text, MediaType: icalendar.MediaType, FileName: "due.ics", Etag: hex.EncodeToString(sum[:16]),
	}, nil
}
