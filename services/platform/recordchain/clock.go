package recordchain

import (
	"context"
	"fmt"
	"time"

	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/storage"
)

// Slack is how far the clock may be behind the last entry of a stream, as the clocks of two machines may differ, and how far a confirmed
// time may be from the clock.
const Slack = 2 * time.Minute

// Confirmed is the kind of the entries after which a stream goes on at an earlier time.
const Confirmed = "clock confirmed"

// follows refuses an entry that would stand behind one of a later time: of the two times at least one is wrong, and nobody knows which.
// Reason: CLOCK_BEHIND_RECORD.
func (end tail) follows(stream string, at time.Time) error {
	if !Behind(at, end.at) {
		return nil
	}
	return fault.Precondition("CLOCK_BEHIND_RECORD",
		"The clock says %s and the last record of %s is of %s: one is wrong, so nothing is signed. Set the clock right, or let quality confirm it.", shown(at), stream, shown(end.at)).
		With("stream", stream).With("clock_time", shown(at)).With("last_entry_time", shown(end.at))
}

// Behind reports whether a clock is so far behind the last entry of a stream that nothing is added to it.
func Behind(now, last time.Time) bool { return now.Add(Slack).Before(last) }

func shown(t time.Time) string { return t.UTC().Truncate(time.Second).Format(time.RFC3339) }

// Confirm adds an entry that says which time it is, by whom and why, to a stream whose last entry is of a later time, and goes on from
// there: what was entered stays as it is, and entries after it follow the confirmed time. A stream that the clock is not behind stays
// as it is. The entry's time is the clock's; told is what a clock says that is not the suite's. Reason: CLOCK_NOT_CONFIRMED.
func Confirm(ctx context.Context, tx *storage.Tx, stream, subject string, now, told time.Time, actor, person, reason string) error {
	if told.Sub(now).Abs() > Slack {
		return fault.Precondition("CLOCK_NOT_CONFIRMED",
			"The clock says %s and you say that it is %s. Have the clock set right, look at another clock again, and confirm then.", shown(now), shown(told)).
			With("clock_time", shown(now)).With("current_time", shown(told))
	}
	end, err := endOf(ctx, tx, stream)
	if err != nil || !Behind(now, end.at) {
		return err
	}
	_, _, err = add(ctx, tx, end, Entry{Stream: stream, Kind: Confirmed, Subject: subject, At: now, Actor: actor, Fields: []Field{
		{"reason", reason}, {"person", person}, {"told", told.UTC().Format(time.RFC3339Nano)},
		{"after_position", fmt.Sprint(end.position)}, {"after_time", end.at.Format(time.RFC3339Nano)},
	}})
	return err
}

// Stream is how far a stream has come.
type Stream struct {
	Name    string
	Entries int64
	Last    time.Time // of its last entry
}

// Streams are all streams of a database that have entries, by name.
func Streams(ctx context.Context, tx *storage.Tx) ([]Stream, error) {
	return storage.Collect(ctx, tx, func(row storage.Scanner) (s Stream, err error) {
		var at int64
		err = row.Scan(&s.Name, &s.Entries, &at)
		s.Last = storage.FromMicros(at)
		return s, err
	}, `SELECT c.stream, c.position, c.entry_time FROM record_chain c
		JOIN (SELECT stream, MAX(position) AS position FROM record_chain GROUP BY stream) m ON m.stream = c.stream AND m.position = c.position
		ORDER BY c.stream`)
}
