package accounts

import (
	"context"
	"crypto/rand"
	"encoding/base32"
	"errors"
	"slices"
	"strings"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	accessv1 "coldsection.example/proto/coldsection/access/v1"
	"coldsection.example/services/platform/auth"
	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/outbox"
	"coldsection.example/services/platform/resource"
	"coldsection.example/services/platform/storage"
)

// The break-glass account: one, with a secret that works once and a session that ends soon. How long is common practice, no source.
const (
	BreakGlass      = "accounts/break-glass"
	breakGlassLogin = "break-glass"
	breakGlassLife  = time.Hour
	byBreakGlass    = "break-glass"
	sealBytes       = 20 // random bytes of the secret, 32 letters
	factSource      = "gateway"
)

// BreakGlassUses are the times that the break-glass account was used.
var BreakGlassUses = resource.NewTable[*accessv1.BreakGlassUse]("break_glass_uses", "create_time desc", "state", "opener", "create_time")

// signingRoles are those whose holders may sign that work was inspected or is released.
var signingRoles = []string{"inspector", "releaser"}

// emergency says whether the caller is a session of the break-glass account.
func emergency(ctx context.Context) bool {
	id, _ := auth.FromContext(ctx)
	return id.Kind == auth.Emergency
}

// LimitBreakGlass refuses a break-glass session what would let it sign, or judge, by way of another account. Reason:
// BREAK_GLASS_LIMITED.
func LimitBreakGlass(ctx context.Context, account *accessv1.Account) error {
	if emergency(ctx) && slices.ContainsFunc(account.GetRoles(), func(r string) bool { return slices.Contains(signingRoles, r) }) {
		return limited("may not touch an account that signs as inspector or releaser")
	}
	return nil
}

func limited(what string) error {
	return fault.Denied("BREAK_GLASS_LIMITED", "A session of the break-glass account %s. Let an administrator in first, who does it under their own name.", what)
}

// Ordinary refuses to change the break-glass account as others are changed. Reason: BREAK_GLASS_ACCOUNT.
func Ordinary(account *accessv1.Account) error {
	if account.GetBreakGlass() {
		return fault.Precondition("BREAK_GLASS_ACCOUNT",
			"%s is the break-glass account. Seal it anew with SealBreakGlass, or disable it; nothing else about it can be changed.", account.GetName())
	}
	return nil
}

// MayInvite refuses what Ordinary and LimitBreakGlass do.
func MayInvite(ctx context.Context, account *accessv1.Account) error {
	if err := Ordinary(account); err != nil {
		return err
	}
	return LimitBreakGlass(ctx, account)
}

// SealBreakGlass gives the break-glass account a new secret, and makes the account where there is none. Reasons:
// BREAK_GLASS_UNREVIEWED, BREAK_GLASS_LIMITED, ALREADY_EXISTS.
func (s *Store) SealBreakGlass(ctx context.Context) (secret string, at time.Time, err error) {
	if emergency(ctx) {
		return "", at, limited("may not seal the next envelope")
	}
	raw := make([]byte, sealBytes)
	_, _ = rand.Read(raw)
	letters, at := base32.StdEncoding.EncodeToString(raw), s.Clock.Now()
	err = s.DB.Update(ctx, func(ctx context.Context, tx *storage.Tx) error {
		n, err := UnreviewedBreakGlass(ctx, tx)
		if err != nil {
			return err
		}
		if n > 0 {
			return fault.Precondition("BREAK_GLASS_UNREVIEWED",
				"The break-glass account was used and nobody has reviewed it. Review every use first, see ListBreakGlassUses.")
		}
		if err := s.breakGlassAccount(ctx, tx); err != nil {
			return err
		}
		if _, err := tx.Exec(ctx, "DELETE FROM break_glass_seals"); err != nil {
			return err
		}
		if _, err := tx.Exec(ctx, "INSERT INTO break_glass_seals (secret_hash, create_time) VALUES ($1, $2)", auth.HashSecret(letters), storage.Micros(at)); err != nil {
			return err
		}
		id, _ := auth.FromContext(ctx)
		return s.tellBreakGlass(ctx, tx, "coldsection.access.break_glass.sealed.v1", BreakGlass, &accessv1.BreakGlassChanged{Account: id.Account})
	})
	return grouped(letters), at, err
}

// breakGlassAccount makes the account, or lets it be used again.
func (s *Store) breakGlassAccount(ctx context.Context, tx *storage.Tx) error {
	found, err := Accounts.Where(ctx, tx, "login = $1 OR name = $2", breakGlassLogin, BreakGlass)
	if err != nil {
		return err
	}
	if len(found) == 0 {
		return Accounts.Insert(ctx, tx, &accessv1.Account{
			Name: BreakGlass, Login: breakGlassLogin, DisplayName: "Break glass", Roles: []string{"admin"}, Kind: accessv1.Account_HUMAN,
			State: accessv1.Account_ACTIVE, BreakGlass: true,
		}, s.Clock.Now())
	}
	account, err := Accounts.Lock(ctx, tx, found[0].GetName())
	if err != nil {
		return err
	}
	if !account.GetBreakGlass() {
		return fault.Exists(account.GetName())
	}
	account.State = accessv1.Account_ACTIVE
	return Accounts.Save(ctx, tx, account, s.Clock.Now())
}

// OpenBreakGlass opens a session with the sealed secret, which is used up, and raises the alarm in the same transaction.
// Reasons: CREDENTIALS_WRONG, OPENER_UNKNOWN, ACCOUNT_LOCKED.
func (s *Store) OpenBreakGlass(ctx context.Context, secret, opener, reason string) (session *accessv1.Session, err error) {
	target := loginTarget(breakGlassLogin)
	if err := s.countGuess(ctx, target, "the break-glass account"); err != nil {
		return nil, err
	}
	err = s.DB.Update(ctx, func(ctx context.Context, tx *storage.Tx) error {
		account, err := s.breakSeal(ctx, tx, secret)
		if err != nil {
			return err
		}
		who, err := openerOf(ctx, tx, opener)
		if err != nil {
			return err
		}
		if session, err = s.open(ctx, tx, account, byBreakGlass); err != nil {
			return err
		}
		if err := s.alarm(ctx, tx, who.GetName(), reason, session.GetExpireTime()); err != nil {
			return err
		}
		_, err = tx.Exec(ctx, "DELETE FROM guesses WHERE target = $1", target)
		return err
	})
	return session, err
}

// breakSeal uses a secret up.
func (s *Store) breakSeal(ctx context.Context, tx *storage.Tx, secret string) (*accessv1.Account, error) {
	letters := strings.ToUpper(strings.ReplaceAll(digits(secret), "-", ""))
	n, err := tx.Exec(ctx, "DELETE FROM break_glass_seals WHERE secret_hash = $1", auth.HashSecret(letters))
	if err != nil {
		return nil, err
	}
	account, err := Accounts.Lock(ctx, tx, BreakGlass)
	if fault.HasReason(err, "NOT_FOUND") || err == nil && (n == 0 || account.GetState() != accessv1.Account_ACTIVE) {
		return nil, fault.New(fault.Unauthenticated, "CREDENTIALS_WRONG", "This is not the secret that was sealed last, or it was used. Take the newest envelope.")
	}
	return account, err
}

// openerOf is the account that a person has otherwise.
func openerOf(ctx context.Context, tx *storage.Tx, login string) (*accessv1.Account, error) {
	found, err := Accounts.Where(ctx, tx, "login = $1", login)
	if err == nil && (len(found) == 0 || found[0].GetBreakGlass() || found[0].GetKind() != accessv1.Account_HUMAN) {
		return nil, fault.Invalid("opener", "OPENER_UNKNOWN", "%q is no person's login. Give the login that you have otherwise, so that somebody else reviews this.", login)
	}
	if err != nil {
		return nil, err
	}
	return found[0], nil
}

// alarm notes a use and tells everybody.
func (s *Store) alarm(ctx context.Context, tx *storage.Tx, opener, reason string, expires *timestamppb.Timestamp) error {
	use := &accessv1.BreakGlassUse{
		Name: "breakGlassUses/" + s.IDs.New(), State: accessv1.BreakGlassUse_OPENED, Opener: opener, UntrustedReason: reason, ExpireTime: expires,
	}
	if err := BreakGlassUses.Insert(ctx, tx, use, s.Clock.Now()); err != nil {
		return err
	}
	return s.tellBreakGlass(ctx, tx, "coldsection.access.break_glass.opened.v1", use.GetName(), &accessv1.BreakGlassChanged{
		BreakGlassUse: use.GetName(), Account: opener, UntrustedText: reason, ExpireTime: expires,
	})
}

func (s *Store) tellBreakGlass(ctx context.Context, tx *storage.Tx, typ, subject string, what *accessv1.BreakGlassChanged) error {
	return outbox.Append(ctx, tx, outbox.New(s.IDs.New(), s.Clock.Now(), factSource, typ, subject, what))
}

// ReviewBreakGlass closes a use and ends the account's sessions. Reasons: SAME_PERSON, REVIEWER_NOT_INDEPENDENT,
// BREAK_GLASS_LIMITED, BREAK_GLASS_REVIEWED.
func (s *Store) ReviewBreakGlass(ctx context.Context, tx *storage.Tx, name, etag, findings string) (*accessv1.BreakGlassUse, error) {
	if emergency(ctx) {
		return nil, limited("may not review a use of it")
	}
	use, err := BreakGlassUses.Lock(ctx, tx, name)
	if err != nil {
		return nil, err
	}
	if err := resource.CheckEtag(use, etag); err != nil {
		return nil, err
	}
	if use.GetState() == accessv1.BreakGlassUse_REVIEWED {
		return nil, fault.Precondition("BREAK_GLASS_REVIEWED", "%s was reviewed by %s. There is nothing left to do.", name, use.GetReviewer())
	}
	id, _ := auth.FromContext(ctx)
	if err := s.anotherPerson(ctx, tx, use.GetOpener(), id); err != nil {
		return nil, err
	}
	if err := s.independent(ctx, tx, id.Account); err != nil {
		return nil, err
	}
	use.State, use.Reviewer, use.UntrustedFindings, use.ReviewTime = accessv1.BreakGlassUse_REVIEWED, id.Account, findings, timestamppb.New(s.Clock.Now())
	if err := BreakGlassUses.Save(ctx, tx, use, s.Clock.Now()); err != nil {
		return nil, err
	}
	if err := EndSessions(ctx, tx, BreakGlass); err != nil {
		return nil, err
	}
	return use, s.tellBreakGlass(ctx, tx, "coldsection.access.break_glass.reviewed.v1", name, &accessv1.BreakGlassChanged{
		BreakGlassUse: name, Account: id.Account, UntrustedText: findings,
	})
}

// anotherPerson refuses a reviewer who is the opener, by another account of the same person, too.
func (s *Store) anotherPerson(ctx context.Context, tx *storage.Tx, opener string, id auth.Identity) error {
	account, err := Accounts.Get(ctx, tx, opener)
	if err != nil && !fault.HasReason(err, "NOT_FOUND") {
		return err
	}
	if opener == id.Account || id.Person != "" && account.GetPerson() == id.Person {
		return fault.Precondition("SAME_PERSON", "You opened the envelope and can't review that. Ask somebody else of quality or an administrator.").With("opener", opener)
	}
	return nil
}

// refuseBreakGlassProof keeps break-glass sessions from signing.
func refuseBreakGlassProof(method string) error {
	if method == byBreakGlass {
		return limited("signs nothing")
	}
	return nil
}

// UnreviewedBreakGlass counts the uses that nobody has reviewed.
func UnreviewedBreakGlass(ctx context.Context, tx *storage.Tx) (n int64, err error) {
	err = tx.QueryRow(ctx, "SELECT count(*) FROM break_glass_uses WHERE state = 'OPENED'").Scan(&n)
	if errors.Is(err, storage.ErrNoRows) {
		return 0, nil
	}
	return n, err
}

// grouped writes a code in groups of four, to be typed from paper.
func grouped(code string) string {
	return strings.Join(slices.Collect(func(yield func(string) bool) {
		for part := range slices.Chunk([]byte(code), 4) {
			if !yield(string(part)) {
				return
			}
		}
	}), "-")
}
