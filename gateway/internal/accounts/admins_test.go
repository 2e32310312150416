package accounts_test

import (
	"context"
	"sync"
	"testing"
	"time"

	accessv1 "coldsection.example/proto/coldsection/access/v1"

	"coldsection.example/gateway/internal/accounts"
	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/storage"
	"coldsection.example/services/platform/storage/storagetest"
)

// Two administrators who disable each other at the same moment: one of them stays. The break-glass account is nobody's last administrator.
func TestTwoAdministratorsDoNotLoseEachOther(t *testing.T) {
	now := time.Date(2026, 3, 2, 9, 0, 0, 0, time.UTC)
	storagetest.Engines(t, accounts.Migrations(), func(t *testing.T, db *storage.DB) {
		change := func(fn func(ctx context.Context, tx *storage.Tx) error) error { return db.Update(t.Context(), fn) }
		names := []string{"accounts/ann", "accounts/bob"}
		err := change(func(ctx context.Context, tx *storage.Tx) error {
			for _, name := range append(names, "accounts/glass") {
				account := &accessv1.Account{Name: name, Login: name, Roles: []string{"admin"}, State: accessv1.Account_ACTIVE, BreakGlass: name == "accounts/glass"}
				if err := accounts.Accounts.Insert(ctx, tx, account, now); err != nil {
					return err
				}
			}
			return nil
		})
		if err != nil {
			t.Fatal(err)
		}
		become := func(name string, state accessv1.Account_State) error {
			return change(func(ctx context.Context, tx *storage.Tx) error {
				account, err := accounts.Accounts.Lock(ctx, tx, name)
				if err != nil {
					return err
				}
				if state == accessv1.Account_DISABLED {
					if err := accounts.KeepAnAdmin(ctx, tx, name); err != nil {
						return err
					}
				}
				account.State = state
				return accounts.Accounts.Save(ctx, tx, account, now)
			})
		}
		for round := range 10 {
			var wait sync.WaitGroup
			results := make([]error, len(names))
			for i, name := range names {
				wait.Go(func() { results[i] = become(name, accessv1.Account_DISABLED) })
			}
			wait.Wait()
			refused := 0
			for _, err := range results {
				if fault.HasReason(err, "LAST_ADMIN") {
					refused++
				} else if err != nil {
					t.Error(err)
				}
			}
			if refused != 1 {
				t.Fatalf("round %d: %v", round, results)
			}
			for _, name := range names {
				if err := become(name, accessv1.Account_ACTIVE); err != nil {
					t.Fatal(err)
				}
			}
		}
	})
}
