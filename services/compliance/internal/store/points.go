package store

import (
	"context"
	"fmt"
	"maps"
	"slices"
	"strings"
	"time"

	"coldsection.example/services/platform/storage"
)

// Many is how many names one statement asks for at the most.
const Many = 128

// In is a condition on a column for so many names, at most Many, with placeholders from one on. Lists are filled up to a power of
// two, so that few statements serve them all.
func In(column string, first int, names []string) (condition string, args []any) {
	marks := make([]string, width(len(names)))
	for i := range marks {
		marks[i] = fmt.Sprintf("$%d", first+i)
		args = append(args, names[min(i, len(names)-1)])
	}
	return column + " IN (" + strings.Join(marks, ", ") + ")", args
}

// width is the power of two that so many are filled up to.
func width(n int) int {
	w := 1
	for w < n {
		w *= 2
	}
	return w
}

// LockPoints reads what is kept of subjects, at most Many, and keeps others from changing it until the transaction ends. One that has none
// yet gets an empty one.
func LockPoints(ctx context.Context, tx *storage.Tx, subjects []string) (map[string][]byte, error) {
	have, err := pointsOf(ctx, tx, subjects, tx.ForUpdate())
	if err != nil || len(have) == len(subjects) {
		return have, err
	}
	for _, name := range subjects {
		if have[name] != nil {
			continue
		}
		if _, err := tx.Exec(ctx, "INSERT INTO due_points (subject, rules, day_time, end_time, body) VALUES ($1, '', 0, 0, $2) ON CONFLICT DO NOTHING", name, []byte{}); err != nil {
			return nil, err
		}
	}
	return pointsOf(ctx, tx, subjects, tx.ForUpdate())
}

// PointsOf reads what is kept of subjects, at most Many.
func PointsOf(ctx context.Context, tx *storage.Tx, subjects []string) (map[string][]byte, error) {
	return pointsOf(ctx, tx, subjects, "")
}

func pointsOf(ctx context.Context, tx *storage.Tx, subjects []string, lock string) (map[string][]byte, error) {
	out := map[string][]byte{}
	in, args := In("subject", 1, subjects)
	_, err := storage.Collect(ctx, tx, func(row storage.Scanner) (string, error) {
		name, body := "", []byte{}
		err := row.Scan(&name, &body)
		if body == nil { // an empty one is there all the same
			body = []byte{}
		}
		out[name] = body
		return name, err
	}, "SELECT subject, body FROM due_points WHERE "+in+" ORDER BY subject"+lock, args...)
	return out, err
}

// SavePoints keeps the points of a subject; from and end are the instants at which the day began and ends that it was looked at on.
func SavePoints(ctx context.Context, tx *storage.Tx, subject, rules string, from, end time.Time, body []byte) error {
	return tx.Queue(ctx, nil, "UPDATE due_points SET rules = $1, day_time = $2, end_time = $3, body = $4 WHERE subject = $5",
		rules, storage.Micros(from), storage.Micros(end), body, subject)
}

// KeepPoints is SavePoints of points that follow from the same requirements as those that were kept: one index less has to be written.
func KeepPoints(ctx context.Context, tx *storage.Tx, subject string, from, end time.Time, body []byte) error {
	return tx.Queue(ctx, nil, "UPDATE due_points SET day_time = $1, end_time = $2, body = $3 WHERE subject = $4",
		storage.Micros(from), storage.Micros(end), body, subject)
}

// ChangePoints keeps the points of a subject of which some changed; it stays looked at on the day that it was.
func ChangePoints(ctx context.Context, tx *storage.Tx, subject, rules string, body []byte) error {
	return tx.Queue(ctx, nil, "UPDATE due_points SET rules = $1, body = $2 WHERE subject = $3", rules, body, subject)
}

// Unsettled are the subjects that were not looked at on the day of an instant, or that follow from other requirements. A clock that was set
// back makes a day come again.
func Unsettled(ctx context.Context, tx *storage.Tx, now time.Time, rules string) ([]string, error) {
	found, err := names(ctx, tx, `SELECT subject FROM due_points WHERE rules < $1 UNION ALL SELECT subject FROM due_points WHERE rules > $1
		UNION ALL SELECT subject FROM due_points WHERE end_time <= $2 UNION ALL SELECT subject FROM due_points WHERE day_time > $2`, rules, storage.Micros(now))
	slices.Sort(found)
	return slices.Compact(found), err
}

// Rules tells the requirements as they are from those before any change: how many there are, and how many versions.
func Rules(ctx context.Context, tx *storage.Tx) (string, error) {
	var count, versions int64
	err := tx.QueryRow(ctx, "SELECT COUNT(*), CAST(COALESCE(SUM(version), 0) AS BIGINT) FROM requirements").Scan(&count, &versions)
	return fmt.Sprintf("%d.%d", count, versions), err
}

// MoveDates puts the dates (YYYY-MM-DD) of due items that a day moved into their rows. The items are as they were: the day is put to them
// when they are read.
func MoveDates(ctx context.Context, tx *storage.Tx, dates map[string]string) error {
	for some := range slices.Chunk(slices.Sorted(maps.Keys(dates)), Many) {
		rows, args := make([]string, width(len(some))), make([]any, 0, 2*width(len(some)))
		for i := range rows { // filled up with the last
			name := some[min(i, len(some)-1)]
			rows[i] = fmt.Sprintf("($%d, $%d)", 2*i+1, 2*i+2)
			args = append(args, name, dates[name])
		}
		if err := tx.Queue(ctx, nil, "WITH moved (name, due_date) AS (VALUES "+strings.Join(rows, ", ")+
			") UPDATE due_items SET due_date = moved.due_date FROM moved WHERE moved.name = due_items.name", args...); err != nil {
			return err
		}
	}
	return nil
}
