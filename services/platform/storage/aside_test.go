package storage_test

import (
	"context"
	"errors"
	"testing"

	"coldsection.example/services/platform/storage"
)

// Whoever works beside a transaction is told so by every statement, and by Try, which runs nothing.
func TestBesideATransactionEveryStatementSaysSo(t *testing.T) {
	beside := errors.New("beside")
	tx, ctx := storage.Aside(storage.SQLite, beside), t.Context()
	_, exec := tx.Exec(ctx, "DELETE FROM outbox")
	_, query := tx.Query(ctx, "SELECT 1") //nolint:gocritic // there are no rows
	var n int64
	for what, err := range map[string]error{
		"exec": exec, "query": query, "row": tx.QueryRow(ctx, "SELECT 1").Scan(&n), "queue": tx.Queue(ctx, nil, "DELETE FROM outbox"),
		"askEach": tx.AskEach(ctx, func(storage.Rows) error { return nil }, "SELECT 1"),
		"ask":     tx.Ask(ctx, func(storage.Rows) error { return nil }, "SELECT 1"),
		"try":     tx.Try(ctx, func(context.Context) error { t.Error("tried"); return nil }),
	} {
		if !errors.Is(err, beside) {
			t.Errorf("%s: %v", what, err)
		}
	}
	if tx.Engine() != storage.SQLite || tx.Flush(ctx) != nil {
		t.Errorf("%s", tx.Engine())
	}
}
