package store

import (
	"context"
	"slices"

	performancev1 "coldsection.example/proto/coldsection/performance/v1"
	"coldsection.example/services/platform/storage"
)

// StandingEvents are what was done to an engine, oldest first, without what was taken back.
func StandingEvents(ctx context.Context, tx *storage.Tx, engine string) ([]*performancev1.EngineEvent, error) {
	condition, args := Under(engine + "/engineEvents")
	all, err := Events.Where(ctx, tx, condition+" ORDER BY event_time, name", args...)
	return slices.DeleteFunc(all, func(e *performancev1.EngineEvent) bool { return e.GetWithdrawTime() != nil }), err
}

// ForgetRecovery removes what was worked out for a wash that never was. It is no record: it follows from readings and events.
func ForgetRecovery(ctx context.Context, tx *storage.Tx, name string) error {
	_, err := tx.Exec(ctx, "DELETE FROM recoveries WHERE name = $1", name)
	return err
}
