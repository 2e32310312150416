package store

import (
	"context"
	"time"

	compliancev1 "coldsection.example/proto/coldsection/compliance/v1"
	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/resource"
	"coldsection.example/services/platform/storage"
)

// CalendarFeeds are the calendars that people subscribed to; a use case decides who is shown which.
var CalendarFeeds = resource.NewTable[*compliancev1.CalendarFeed]("calendar_feeds", "create_time desc", "account", "create_time").Shared()

// SetCalendarSecret keeps the hash of the secret that reads a calendar; the one before reads it no longer.
func SetCalendarSecret(ctx context.Context, tx *storage.Tx, feed, hash string) error {
	_, err := tx.Exec(ctx, "INSERT INTO calendar_secrets (feed, hash) VALUES ($1, $2) ON CONFLICT (feed) DO UPDATE SET hash = excluded.hash", feed, hash)
	return err
}

// DropCalendarSecret ends the reading of a calendar, and forgets what it said.
func DropCalendarSecret(ctx context.Context, tx *storage.Tx, feed string) error {
	if _, err := tx.Exec(ctx, "DELETE FROM calendar_secrets WHERE feed = $1", feed); err != nil {
		return err
	}
	_, err := tx.Exec(ctx, "DELETE FROM calendar_entries WHERE feed = $1", feed)
	return err
}

// FeedOfSecret is the calendar that a secret reads. Reason: NOT_FOUND, which does not repeat the secret.
func FeedOfSecret(ctx context.Context, tx *storage.Tx, hash string) (string, error) {
	found, err := names(ctx, tx, "SELECT feed FROM calendar_secrets WHERE hash = $1", hash)
	if err == nil && len(found) == 0 {
		err = fault.New(fault.NotFound, "NOT_FOUND", "No calendar is read at this address. Ask its owner for the present one; it ends when it is revoked or given a new one.")
	}
	if err != nil {
		return "", err
	}
	return found[0], nil
}

// CalendarEntry is what a calendar said of a due item.
type CalendarEntry struct {
	DueItem, Day, Summary, Description string
	Sequence                           int64
	Changed                            time.Time
	Cancelled                          bool
}

// CalendarEntries are what a calendar said when it was last read.
func CalendarEntries(ctx context.Context, tx *storage.Tx, feed string) ([]CalendarEntry, error) {
	return storage.Collect(ctx, tx, func(row storage.Scanner) (e CalendarEntry, err error) {
		var changed, cancelled int64
		err = row.Scan(&e.DueItem, &e.Sequence, &changed, &cancelled, &e.Day, &e.Summary, &e.Description)
		e.Changed, e.Cancelled = storage.FromMicros(changed), cancelled == 1
		return e, err
	}, "SELECT due_item, sequence, change_time, cancelled, day, summary, description FROM calendar_entries WHERE feed = $1 ORDER BY due_item", feed)
}

// SaveCalendarEntry keeps what a calendar says of a due item from now on.
func SaveCalendarEntry(ctx context.Context, tx *storage.Tx, feed string, e CalendarEntry) error {
	cancelled := int64(0)
	if e.Cancelled {
		cancelled = 1
	}
	_, err := tx.Exec(ctx, `INSERT INTO calendar_entries (feed, due_item, sequence, change_time, cancelled, day, summary, description)
		VALUES ($1, $2, $3, $4, $5, $6, $7, $8) ON CONFLICT (feed, due_item) DO UPDATE SET sequence = excluded.sequence,
		change_time = excluded.change_time, cancelled = excluded.cancelled, day = excluded.day, summary = excluded.summary, description = excluded.description`,
		feed, e.DueItem, e.Sequence, storage.Micros(e.Changed), cancelled, e.Day, e.Summary, e.Description)
	return err
}
