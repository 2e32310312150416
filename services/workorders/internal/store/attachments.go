package store

import (
	"context"

	"coldsection.example/services/platform/storage"
)

// KeepBytes keeps bytes by their hash; the same bytes again are kept once.
func KeepBytes(ctx context.Context, tx *storage.Tx, sha256 string, content []byte) error {
	_, err := tx.Exec(ctx, "INSERT INTO attachment_bytes (sha256, content) VALUES ($1, $2) ON CONFLICT (sha256) DO NOTHING", sha256, content)
	return err
}

// Bytes reads bytes by their hash.
func Bytes(ctx context.Context, tx *storage.Tx, sha256 string) (content []byte, err error) {
	err = tx.QueryRow(ctx, "SELECT content FROM attachment_bytes WHERE sha256 = $1", sha256).Scan(&content)
	return content, err
}

// LockStarter makes everybody who records a run of an engine's starter wait for the one before.
func LockStarter(ctx context.Context, tx *storage.Tx, engine string) error {
	_, err := tx.Exec(ctx, "INSERT INTO starters (engine, uses) VALUES ($1, 1) ON CONFLICT (engine) DO UPDATE SET uses = starters.uses + 1", engine)
	return err
}
