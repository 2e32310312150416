package store

import (
	"context"
	"time"

	consumablesv1 "coldsection.example/proto/coldsection/consumables/v1"
	"coldsection.example/services/platform/storage"
)

// ItemsToWeigh reads items whose level was not looked at since an instant, at most so many.
func ItemsToWeigh(ctx context.Context, tx *storage.Tx, since time.Time, most int) ([]*consumablesv1.Item, error) {
	return Items.Where(ctx, tx, `NOT EXISTS (SELECT 1 FROM item_levels l WHERE l.item = items.name AND l.check_time > $1) ORDER BY name LIMIT $2`,
		storage.Micros(since), most)
}

// SetLevel keeps whether an item is low, and says whether that is new. Of two that find the same at once one is told so.
func SetLevel(ctx context.Context, tx *storage.Tx, item string, low bool, now time.Time) (crossed bool, err error) {
	var level int64
	if low {
		level = 1
	}
	if _, err := tx.Exec(ctx, "INSERT INTO item_levels (item, low, check_time) VALUES ($1, 0, 0) ON CONFLICT (item) DO NOTHING", item); err != nil {
		return false, err
	}
	n, err := tx.Exec(ctx, "UPDATE item_levels SET low = $2, check_time = $3 WHERE item = $1 AND low <> $2", item, level, storage.Micros(now))
	if err != nil || n > 0 {
		return n > 0, err
	}
	_, err = tx.Exec(ctx, "UPDATE item_levels SET check_time = $2 WHERE item = $1", item, storage.Micros(now))
	return false, err
}

// LowItems reads the items that are low, each with 1.
func LowItems(ctx context.Context, tx *storage.Tx) (map[string]int64, error) {
	names, err := storage.Collect(ctx, tx, func(row storage.Scanner) (name string, err error) {
		err = row.Scan(&name)
		return name, err
	}, "SELECT item FROM item_levels WHERE low = 1")
	low := map[string]int64{}
	for _, name := range names {
		low[name] = 1
	}
	return low, err
}

// LotsEndingBefore counts usable lots whose life ends at or after one instant and before another.
func LotsEndingBefore(ctx context.Context, tx *storage.Tx, now, end time.Time) (n int64, err error) {
	err = tx.QueryRow(ctx, "SELECT COUNT(*) FROM lots WHERE state = 'USABLE' AND expire_time >= $1 AND expire_time < $2",
		storage.Micros(now), storage.Micros(end)).Scan(&n)
	return n, err
}

// Shortages counts what orders need of an item and is neither claimed nor issued.
func Shortages(ctx context.Context, tx *storage.Tx) (n int64, err error) {
	err = tx.QueryRow(ctx, "SELECT COUNT(*) FROM demands WHERE state = 'OPEN'").Scan(&n)
	return n, err
}
