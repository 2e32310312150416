package store

import (
	"context"
	"errors"
	"time"

	performancev1 "coldsection.example/proto/coldsection/performance/v1"
	"coldsection.example/services/platform/storage"
)

// Pend notes that an engine has readings of a create time, or a later one, that are not worked out yet; the earliest note stays.
// Who takes the note away waits until this transaction ends, and so sees its readings.
func Pend(ctx context.Context, tx *storage.Tx, engine string, since time.Time) error {
	_, err := tx.Exec(ctx, `INSERT INTO pending_analyses (engine, since) VALUES ($1, $2) ON CONFLICT (engine) DO UPDATE
		SET since = CASE WHEN excluded.since < pending_analyses.since THEN excluded.since ELSE pending_analyses.since END`, engine, storage.Micros(since))
	return err
}

// Pending lists the engines that wait to be worked out.
func Pending(ctx context.Context, tx *storage.Tx) ([]string, error) {
	return storage.Collect(ctx, tx, func(row storage.Scanner) (engine string, err error) {
		err = row.Scan(&engine)
		return engine, err
	}, "SELECT engine FROM pending_analyses ORDER BY engine")
}

// Unpend takes an engine off the list and returns those of its readings that came since it was put there, oldest first. There
// are none when somebody else was quicker.
func Unpend(ctx context.Context, tx *storage.Tx, engine string) ([]*performancev1.Reading, error) {
	condition, args, err := waiting(ctx, tx, engine)
	if err != nil || condition == "" {
		return nil, err
	}
	readings, err := Readings.Where(ctx, tx, condition+" ORDER BY read_time, name", args...)
	if err != nil {
		return nil, err
	}
	return readings, settled(ctx, tx, engine)
}

// UnpendIf takes an engine off the list if as many of its readings as expected came since it was put there, and says whether
// that is so.
func UnpendIf(ctx context.Context, tx *storage.Tx, engine string, expected int) (bool, error) {
	condition, args, err := waiting(ctx, tx, engine)
	if err != nil || condition == "" {
		return false, err
	}
	var n int
	if err := tx.QueryRow(ctx, "SELECT COUNT(*) FROM readings WHERE "+condition, args...).Scan(&n); err != nil || n != expected {
		return false, err
	}
	return true, settled(ctx, tx, engine)
}

// waiting is the condition for an engine's readings that are not worked out, and its arguments; empty when it is not on the
// list. The note is locked.
func waiting(ctx context.Context, tx *storage.Tx, engine string) (condition string, args []any, err error) {
	var since int64
	err = tx.QueryRow(ctx, "SELECT since FROM pending_analyses WHERE engine = $1"+tx.ForUpdate(), engine).Scan(&since)
	if errors.Is(err, storage.ErrNoRows) {
		return "", nil, nil
	}
	condition, args = Under(engine + "/readings")
	return condition + " AND create_time >= $3", append(args, since), err
}

func settled(ctx context.Context, tx *storage.Tx, engine string) error {
	_, err := tx.Exec(ctx, "DELETE FROM pending_analyses WHERE engine = $1", engine)
	return err
}
