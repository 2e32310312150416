package gateway_test

import (
	"testing"

	accessv1 "coldsection.example/proto/coldsection/access/v1"
)

// invited makes an invitation for tomas and returns its token.
func (w *world) invited() (token, reason string) {
	w.t.Helper()
	answer, err := accessv1.NewAccessServiceClient(w.conn).InviteAccount(w.as(w.admin), &accessv1.InviteAccountRequest{Name: "accounts/tomas"})
	return answer.GetToken(), reasonOf(err)
}

// chosen chooses a password with an invitation and returns the reason of the refusal.
func (w *world) chosen(invitation string) string {
	w.t.Helper()
	_, err := accessv1.NewSessionServiceClient(w.conn).AcceptInvitation(w.t.Context(),
		&accessv1.AcceptInvitationRequest{Token: invitation, Password: "a password of somebody who left"})
	return reasonOf(err)
}

// Somebody who was invited to choose a password anew and is then disabled does not come back with the invitation, and gets none.
func TestADisabledPersonDoesNotComeBackByInvitation(t *testing.T) {
	w := newWorld(t)
	w.hire("tomas", "releaser")
	old, _ := w.invited()
	accounts := accessv1.NewAccessServiceClient(w.conn)
	if _, err := accounts.DisableAccount(w.as(w.admin), &accessv1.DisableAccountRequest{Name: "accounts/tomas"}); err != nil {
		t.Fatal(err)
	}
	if reason := w.chosen(old); reason != "INVITATION_INVALID" {
		t.Errorf("with the invitation of before: %q", reason)
	}
	if _, reason := w.invited(); reason != "ACCOUNT_DISABLED" {
		t.Errorf("an invitation of a disabled account: %q", reason)
	}
	account, err := accounts.EnableAccount(w.as(w.admin), &accessv1.EnableAccountRequest{Name: "accounts/tomas"})
	if err != nil || account.GetState() != accessv1.Account_ACTIVE {
		t.Fatalf("enabled: %v, %v", account, err)
	}
	if reason := w.chosen(old); reason != "INVITATION_INVALID" {
		t.Errorf("with the invitation of before, once the account is enabled: %q", reason)
	}
	fresh, reason := w.invited()
	if again := w.chosen(fresh); reason != "" || again != "" {
		t.Errorf("invited anew: %q, %q", reason, again)
	}
}

// Whoever changed the password has done what an invitation was for; the link in an old message opens nothing.
func TestAChangedPasswordEndsInvitations(t *testing.T) {
	w := newWorld(t)
	token := w.hire("tomas", "stores")
	link, _ := w.invited()
	change := &accessv1.ChangePasswordRequest{OldPassword: passphrase, NewPassword: "another long passphrase"}
	if _, err := accessv1.NewSessionServiceClient(w.conn).ChangePassword(w.as(token), change); err != nil {
		t.Fatal(err)
	}
	if reason := w.chosen(link); reason != "INVITATION_INVALID" {
		t.Errorf("got %q", reason)
	}
}
