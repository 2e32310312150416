package accounts

import (
	"context"
	"errors"
	"strings"
	"time"

	accessv1 "coldsection.example/proto/coldsection/access/v1"
	"coldsection.example/services/platform/auth"
	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/storage"
)

// tokenLife is how long a token of the client credentials grant works.
const tokenLife = 10 * time.Minute

// ErrScope is a token that was asked for with more than its key has, or with a scope that means nothing.
var ErrScope = errors.New("the scope is more than the key has, or none")

// Grant makes a short-lived token for an API key and its secret (RFC 6749 section 4.4): what it may do, and for how long.
// Reason: CREDENTIALS_WRONG; or ErrScope.
func (s *Store) Grant(ctx context.Context, key, secret string, asked []string) (token string, scopes []string, life time.Duration, err error) {
	token = auth.NewSecret("cst_")
	err = s.DB.Update(ctx, func(ctx context.Context, tx *storage.Tx) error {
		now := s.Clock.Now()
		if _, err := tx.Exec(ctx, "DELETE FROM access_tokens WHERE expire_time <= $1", storage.Micros(now)); err != nil {
			return err
		}
		found, account, err := s.liveKey(ctx, tx, "SELECT api_key FROM api_key_secrets WHERE secret_hash = $1", auth.HashSecret(secret))
		if err == nil && found.GetName() != key || errors.Is(err, storage.ErrNoRows) {
			return wrongCredentials()
		}
		if err != nil {
			return err
		}
		var ok bool
		if scopes, ok = narrow(found.GetScopes(), asked); !ok || CheckScopes(account, asked) != nil {
			return ErrScope
		}
		_, err = tx.Exec(ctx, "INSERT INTO access_tokens (token_hash, api_key, scopes, expire_time) VALUES ($1, $2, $3, $4)",
			auth.HashSecret(token), key, strings.Join(scopes, " "), storage.Micros(now.Add(tokenLife)))
		return err
	})
	return token, scopes, tokenLife, err
}

// liveKey finds the key that a query names, if it and its account may still be used; else storage.ErrNoRows.
func (s *Store) liveKey(ctx context.Context, tx *storage.Tx, query string, args ...any) (*accessv1.ApiKey, *accessv1.Account, error) {
	var name string
	if err := tx.QueryRow(ctx, query, args...).Scan(&name); err != nil {
		return nil, nil, err
	}
	key, err := Keys.Get(ctx, tx, name)
	if err != nil {
		return nil, nil, err
	}
	parent, _, _ := strings.Cut(name, "/apiKeys/")
	account, err := Accounts.Get(ctx, tx, parent)
	if fault.HasReason(err, "NOT_FOUND") {
		err = storage.ErrNoRows
	}
	if err != nil {
		return nil, nil, err
	}
	if key.GetRevokeTime() != nil || !key.GetExpireTime().AsTime().After(s.Clock.Now()) || account.GetState() != accessv1.Account_ACTIVE {
		return nil, nil, storage.ErrNoRows
	}
	return key, account, nil
}

// Works says whether a key may still be used.
func (s *Store) Works(ctx context.Context, tx *storage.Tx, key string) (bool, error) {
	_, _, err := s.liveKey(ctx, tx, "SELECT api_key FROM api_key_secrets WHERE api_key = $1", key)
	if errors.Is(err, storage.ErrNoRows) {
		return false, nil
	}
	return err == nil, err
}

// ScopesOf is what an API key is narrowed to; none for one that there is not, which does not work either.
func ScopesOf(ctx context.Context, tx *storage.Tx, key string) ([]string, error) {
	k, err := Keys.Get(ctx, tx, key)
	if fault.HasReason(err, "NOT_FOUND") {
		return nil, nil
	}
	return k.GetScopes(), err
}

// KeyOf is the API key whose secret, or a token of which, has this hash. Reason: CREDENTIALS_WRONG.
func KeyOf(ctx context.Context, tx *storage.Tx, hash string) (key string, err error) {
	err = tx.QueryRow(ctx, "SELECT api_key FROM api_key_secrets WHERE secret_hash = $1 UNION ALL SELECT api_key FROM access_tokens WHERE token_hash = $1", hash).Scan(&key)
	if errors.Is(err, storage.ErrNoRows) { // it got another secret, or the token ended, while the call was on its way
		err = wrongCredentials()
	}
	return key, err
}

// keyOwner finds the account of an API key or of a token of one, what it is narrowed to, and until when it works.
func (s *Store) keyOwner(ctx context.Context, tx *storage.Tx, hash string) (account string, since int64, scopes []string, until int64, err error) {
	key, owner, err := s.liveKey(ctx, tx, "SELECT api_key FROM api_key_secrets WHERE secret_hash = $1", hash)
	if err == nil {
		return owner.GetName(), storage.Micros(key.GetCreateTime().AsTime()), key.GetScopes(), storage.Micros(key.GetExpireTime().AsTime()), nil
	}
	if !errors.Is(err, storage.ErrNoRows) {
		return "", 0, nil, 0, err
	}
	var text string
	now := storage.Micros(s.Clock.Now())
	err = tx.QueryRow(ctx, "SELECT scopes, expire_time FROM access_tokens WHERE token_hash = $1 AND expire_time > $2", hash, now).Scan(&text, &until)
	if err != nil {
		return "", 0, nil, 0, err
	}
	key, owner, err = s.liveKey(ctx, tx, "SELECT api_key FROM access_tokens WHERE token_hash = $1", hash)
	if err != nil {
		return "", 0, nil, 0, err
	}
	until = min(until, storage.Micros(key.GetExpireTime().AsTime()))
	return owner.GetName(), storage.Micros(key.GetCreateTime().AsTime()), strings.Fields(text), until, nil
}
