package server_test

import (
	"context"
	"testing"

	compliancev1 "coldsection.example/proto/coldsection/compliance/v1"
	"coldsection.example/services/compliance/internal/store"
	"coldsection.example/services/platform/storage"
)

// Who extends an item waits for whoever works out its engine before it holds the item: held first, the two would wait for each other, and PostgreSQL ends
// one of them after a second.
func TestAnExtensionWaitsWithoutHoldingTheItem(t *testing.T) {
	onEngines(t, func(t *testing.T, w *world) {
		wash(w)
		item := w.item("wash")
		answer := make(chan error, 1)
		err := w.db.Update(t.Context(), func(ctx context.Context, tx *storage.Tx) error {
			if tx.ForUpdate() == "" {
				answer <- nil
				return nil // one writer at a time holds everything
			}
			if _, err := store.LockPoints(ctx, tx, []string{"engines/one"}); err != nil {
				return err
			}
			go func() {
				_, err := w.commands.ExtendDueItem(w.as("quality"), &compliancev1.ExtendDueItemRequest{Name: item.GetName(), Etag: item.GetEtag(), Extension: extension(4)})
				answer <- err
			}()
			const waiting = `SELECT COUNT(*) FROM pg_locks WHERE NOT granted AND pid IN
				(SELECT pid FROM pg_locks WHERE relation IN ('due_items'::regclass, 'due_points'::regclass) AND pid <> pg_backend_pid())`
			for n := 0; n == 0; {
				if err := tx.QueryRow(ctx, waiting).Scan(&n); err != nil {
					return err
				}
			}
			_, err := tx.Exec(ctx, "SELECT 1 FROM due_items WHERE name = $1 FOR UPDATE NOWAIT", item.GetName())
			return err
		})
		if err != nil {
			t.Fatalf("the item is held by who waits: %v", err)
		}
		if err := <-answer; err != nil {
			t.Error(err)
		}
	})
}
