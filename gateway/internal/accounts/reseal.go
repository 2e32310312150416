package accounts

import (
	"context"
	"fmt"

	"coldsection.example/services/platform/storage"
)

// sealedRow is a sealed secret of one account.
type sealedRow struct {
	account string
	secret  []byte
}

// Reseal seals the secrets of second factors under the first internal secret. One that none of them opens stays as it is, and is named.
func (s *Store) Reseal(ctx context.Context) error {
	var unread error
	err := s.DB.Update(ctx, func(ctx context.Context, tx *storage.Tx) error {
		unread = nil
		rows, err := storage.Collect(ctx, tx, func(row storage.Scanner) (r sealedRow, err error) {
			err = row.Scan(&r.account, &r.secret)
			return r, err
		}, "SELECT account, secret FROM second_factors ORDER BY account"+tx.ForUpdate())
		if err != nil {
			return err
		}
		for _, r := range rows {
			sealed, err := s.Keys.Reseal(sealedFactor, r.secret)
			if err != nil {
				unread = fmt.Errorf("the second factor of %s: %w", r.account, err)
				continue
			}
			if _, err := tx.Exec(ctx, "UPDATE second_factors SET secret = $1 WHERE account = $2", sealed, r.account); err != nil {
				return err
			}
		}
		return nil
	})
	if err != nil {
		return err
	}
	return unread
}
