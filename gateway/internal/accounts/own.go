package accounts

import (
	"context"

	"google.golang.org/protobuf/types/known/timestamppb"

	accessv1 "coldsection.example/proto/coldsection/access/v1"
	"coldsection.example/services/platform/auth"
	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/storage"
)

// nameLength is how much of a token's hash tells a session from another.
const nameLength = 16

// SessionName is what tells the sessions of an account apart, out of the hash of the session's token.
func SessionName(hash string) string { return hash[:min(len(hash), nameLength)] }

// OwnSessions lists the open sessions of the caller's account, newest first, a hundred at most.
func (s *Store) OwnSessions(ctx context.Context, id auth.Identity) (list []*accessv1.Session, err error) {
	err = s.DB.View(ctx, func(ctx context.Context, tx *storage.Tx) error {
		list = nil
		now := storage.Micros(s.Clock.Now())
		rows, err := tx.Query(ctx, `SELECT token_hash, auth_time, expire_time, method FROM sessions
			WHERE account = $1 AND expire_time > $2 AND (use_time = 0 OR use_time > $3) ORDER BY auth_time DESC, token_hash LIMIT 100`, id.Account, now, s.idleSince(now))
		if err != nil {
			return err
		}
		defer func() { _ = rows.Close() }()
		for rows.Next() {
			var hash, method string
			var since, until int64
			if err := rows.Scan(&hash, &since, &until, &method); err != nil {
				return err
			}
			list = append(list, &accessv1.Session{
				Account: id.Account, SessionId: SessionName(hash), Method: method, Current: hash == id.SessionID,
				CreateTime: timestamppb.New(storage.FromMicros(since)), ExpireTime: timestamppb.New(storage.FromMicros(until)),
			})
		}
		return rows.Err()
	})
	return list, err
}

// EndOwnSession ends a session of the caller's account. Reason: NOT_FOUND.
func (s *Store) EndOwnSession(ctx context.Context, id auth.Identity, name string) error {
	return s.DB.Update(ctx, func(ctx context.Context, tx *storage.Tx) error {
		n, err := tx.Exec(ctx, "DELETE FROM sessions WHERE account = $1 AND substr(token_hash, 1, 16) = $2", id.Account, name)
		if err == nil && n == 0 {
			return fault.Missing("session " + name)
		}
		return err
	})
}

// ChooseUnits keeps the unit system that the caller's account reads amounts in.
func (s *Store) ChooseUnits(ctx context.Context, id auth.Identity, system accessv1.Session_UnitSystem) error {
	return s.DB.Update(ctx, func(ctx context.Context, tx *storage.Tx) error {
		account, err := Accounts.Lock(ctx, tx, id.Account)
		if err != nil || account.GetUnitSystem() == system {
			return err
		}
		account.UnitSystem = system
		return Accounts.Save(ctx, tx, account, s.Clock.Now())
	})
}

// unitsOf is the unit system of an account, "" for none.
func unitsOf(account *accessv1.Account) string {
	if account.GetUnitSystem() == accessv1.Session_UNIT_SYSTEM_UNSPECIFIED {
		return ""
	}
	return account.GetUnitSystem().String()
}
