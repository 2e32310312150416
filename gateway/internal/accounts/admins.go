package accounts

import (
	"context"
	"slices"

	accessv1 "coldsection.example/proto/coldsection/access/v1"
	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/storage"
)

// IsAdmin says whether somebody administers with an account day by day; the break-glass account is no such one.
func IsAdmin(account *accessv1.Account) bool {
	return slices.Contains(account.GetRoles(), "admin") && !account.GetBreakGlass()
}

// KeepAnAdmin refuses to lose the last administrator who can sign in. Two who are to go at the same moment wait for each other. Reason:
// LAST_ADMIN.
func KeepAnAdmin(ctx context.Context, tx *storage.Tx, but string) error {
	if err := tx.Alone(ctx, "administrators"); err != nil {
		return err
	}
	others, err := Accounts.Where(ctx, tx, "state = 'ACTIVE' AND name <> $1", but)
	if err != nil {
		return err
	}
	if slices.ContainsFunc(others, IsAdmin) {
		return nil
	}
	return fault.Precondition("LAST_ADMIN", "%s is the last administrator. Give another account the role first.", but)
}
