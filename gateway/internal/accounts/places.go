package accounts

import (
	"context"
	"time"

	"coldsection.example/services/platform/auth"
	"coldsection.example/services/platform/storage"
)

// knownFor is how long an address from which somebody signed in with the right password is known for that account. Common
// practice, no source.
const knownFor = 30 * 24 * time.Hour

// placeTarget is what guesses at a login from an address count against that is known for its account.
func placeTarget(login, address string) string {
	return auth.HashSecret("place " + address + " " + login)
}

// targetOf is what a guess at a login counts against: from an address that is known for its account, guesses from there alone, so
// that strangers elsewhere, who may guess for days, keep nobody out of the own house. Addresses are kept as hashes.
func (s *Store) targetOf(ctx context.Context, account, login, from string) (target string, err error) {
	target = loginTarget(login)
	if from == "" {
		return target, nil
	}
	err = s.DB.View(ctx, func(ctx context.Context, tx *storage.Tx) error {
		var known int
		err := tx.QueryRow(ctx, "SELECT count(*) FROM sign_in_addresses WHERE account = $1 AND address_hash = $2 AND seen_time > $3",
			account, auth.HashSecret(from), storage.Micros(s.Clock.Now().Add(-knownFor))).Scan(&known)
		if known > 0 {
			target = placeTarget(login, auth.HashSecret(from))
		}
		return err
	})
	return target, err
}

// know remembers that an account was signed in to from an address, and forgets those that are not known any more.
func (s *Store) know(ctx context.Context, tx *storage.Tx, account, from string) error {
	if from == "" {
		return nil
	}
	now := s.Clock.Now()
	if _, err := tx.Exec(ctx, "DELETE FROM sign_in_addresses WHERE account = $1 AND seen_time <= $2", account, storage.Micros(now.Add(-knownFor))); err != nil {
		return err
	}
	_, err := tx.Exec(ctx, `INSERT INTO sign_in_addresses (account, address_hash, seen_time) VALUES ($1, $2, $3)
		ON CONFLICT (account, address_hash) DO UPDATE SET seen_time = excluded.seen_time`, account, auth.HashSecret(from), storage.Micros(now))
	return err
}

// forgetPlaces takes back the guesses at an account from addresses that are known for it.
func forgetPlaces(ctx context.Context, tx *storage.Tx, account, login string) error {
	known, err := storage.Collect(ctx, tx, func(row storage.Scanner) (address string, err error) {
		err = row.Scan(&address)
		return address, err
	}, "SELECT address_hash FROM sign_in_addresses WHERE account = $1", account)
	if err != nil {
		return err
	}
	for _, address := range known {
		if _, err := tx.Exec(ctx, "DELETE FROM guesses WHERE target = $1", placeTarget(login, address)); err != nil {
			return err
		}
	}
	return nil
}
