package store

import (
	"context"
	"errors"

	"coldsection.example/services/platform/storage"
)

// LockTracker reads what the analysis knows of an engine, in order to change it; another transaction that analyses the same
// engine waits until this one ends. An empty body knows nothing.
func LockTracker(ctx context.Context, tx *storage.Tx, engine string) (basis string, body []byte, err error) {
	if _, err := tx.Exec(ctx, "INSERT INTO trackers (engine, basis, body) VALUES ($1, '', $2) ON CONFLICT (engine) DO NOTHING", engine, []byte{}); err != nil {
		return "", nil, err
	}
	err = tx.QueryRow(ctx, "SELECT basis, body FROM trackers WHERE engine = $1"+tx.ForUpdate(), engine).Scan(&basis, &body)
	return basis, body, err
}

// Tracker is LockTracker without a change in mind.
func Tracker(ctx context.Context, tx *storage.Tx, engine string) (basis string, body []byte, err error) {
	err = tx.QueryRow(ctx, "SELECT basis, body FROM trackers WHERE engine = $1", engine).Scan(&basis, &body)
	if errors.Is(err, storage.ErrNoRows) {
		return "", nil, nil
	}
	return basis, body, err
}

// Untouched says whether nothing is kept of an engine: no reading and no event.
func Untouched(ctx context.Context, tx *storage.Tx, engine string) (bool, error) {
	found := 0
	for table, collection := range map[string]string{"readings": "/readings", "engine_events": "/engineEvents"} {
		condition, args := Under(engine + collection)
		var n int
		if err := tx.QueryRow(ctx, "SELECT COUNT(*) FROM (SELECT 1 FROM "+table+" WHERE "+condition+" LIMIT 1) AS first", args...).Scan(&n); err != nil {
			return false, err
		}
		found += n
	}
	return found == 0, nil
}

// SaveTracker keeps what the analysis knows of an engine; LockTracker came before.
func SaveTracker(ctx context.Context, tx *storage.Tx, engine, basis string, body []byte) error {
	_, err := tx.Exec(ctx, "UPDATE trackers SET basis = $1, body = $2 WHERE engine = $3", basis, body, engine)
	return err
}
