package store

import (
	"context"
	"time"

	"coldsection.example/services/platform/storage"
)

// Pend notes that an engine has readings that are not worked out yet; the first note stays.
func Pend(ctx context.Context, tx *storage.Tx, engine string, now time.Time) error {
	_, err := tx.Exec(ctx, "INSERT INTO pending_analyses (engine, since) VALUES ($1, $2) ON CONFLICT (engine) DO NOTHING", engine, storage.Micros(now))
	return err
}

// Pending lists the engines that wait to be worked out.
func Pending(ctx context.Context, tx *storage.Tx) ([]string, error) {
	return storage.Collect(ctx, tx, func(row storage.Scanner) (engine string, err error) {
		err = row.Scan(&engine)
		return engine, err
	}, "SELECT engine FROM pending_analyses ORDER BY engine")
}

// Unpend takes an engine off the list and tells which of its readings came since it was put there, oldest first. There are
// none when somebody else was quicker.
func Unpend(ctx context.Context, tx *storage.Tx, engine string) (readings []string, err error) {
	condition, args := Under(engine + "/readings")
	readings, err = storage.Collect(ctx, tx, func(row storage.Scanner) (name string, err error) {
		err = row.Scan(&name)
		return name, err
	}, "SELECT name FROM readings WHERE "+condition+" AND create_time >= (SELECT min(since) FROM pending_analyses WHERE engine = $3) ORDER BY read_time, name", append(args, engine)...)
	if err != nil {
		return nil, err
	}
	_, err = tx.Exec(ctx, "DELETE FROM pending_analyses WHERE engine = $1", engine)
	return readings, err
}
