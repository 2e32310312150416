package webhooks

import (
	"context"
	"fmt"

	"coldsection.example/services/platform/storage"
)

// sealedRow are the sealed secrets of one endpoint.
type sealedRow struct {
	endpoint    string
	secret, old []byte
}

// Reseal seals the secrets of endpoints under the first internal secret. One that none of them opens stays as it is, and is named.
func (s *Store) Reseal(ctx context.Context) error {
	var unread error
	err := s.DB.Update(ctx, func(ctx context.Context, tx *storage.Tx) error {
		unread = nil
		rows, err := storage.Collect(ctx, tx, func(row storage.Scanner) (r sealedRow, err error) {
			err = row.Scan(&r.endpoint, &r.secret, &r.old)
			return r, err
		}, "SELECT endpoint, secret, old_secret FROM webhook_progress ORDER BY endpoint"+tx.ForUpdate())
		if err != nil {
			return err
		}
		for _, r := range rows {
			if err := s.resealRow(ctx, tx, r); err != nil {
				return err
			}
			if _, err := s.Keys.Unseal(sealPurpose, r.secret); err != nil {
				unread = fmt.Errorf("the secret of %s: %w", r.endpoint, err)
			}
		}
		return nil
	})
	if err != nil {
		return err
	}
	return unread
}

// resealRow seals what can be read.
func (s *Store) resealRow(ctx context.Context, tx *storage.Tx, r sealedRow) error {
	if sealed, err := s.Keys.Reseal(sealPurpose, r.secret); err == nil {
		r.secret = sealed
	}
	sealed, err := s.Keys.Reseal(sealPurpose, r.old)
	if r.old = sealed; err != nil {
		r.old = []byte{} // there is none, or nothing opens it
	}
	_, err = tx.Exec(ctx, "UPDATE webhook_progress SET secret = $1, old_secret = $2 WHERE endpoint = $3", r.secret, r.old, r.endpoint)
	return err
}
