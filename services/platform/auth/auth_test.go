package auth_test

import (
	"context"
	"strings"
	"testing"

	"coldsection.example/services/platform/auth"
	"coldsection.example/services/platform/fault"
)

func as(ctx context.Context, roles ...string) context.Context {
	return auth.NewContext(ctx, auth.Identity{Account: "accounts/ada", Person: "people/ada", Roles: roles})
}

func TestPolicyDeniesByDefault(t *testing.T) {
	policy := auth.Policy{}.
		For("shelf.v1.Shelf", []string{"stores", "planner"}, "Move").
		For("shelf.v1.Shelf", []string{auth.SignedIn}, "Look").
		For("shelf.v1.Shelf", []string{auth.Anyone}, "Ask")
	nobody := t.Context()
	for _, c := range []struct {
		ctx    context.Context
		method string
		reason string
	}{
		{nobody, "Ask", ""}, {as(nobody), "Ask", ""},
		{nobody, "Look", "NOT_SIGNED_IN"}, {as(nobody), "Look", ""}, {as(nobody, "viewer"), "Look", ""},
		{nobody, "Move", "NOT_SIGNED_IN"}, {as(nobody), "Move", "ROLE_MISSING"}, {as(nobody, "viewer"), "Move", "ROLE_MISSING"},
		{as(nobody, "viewer", "planner"), "Move", ""}, {as(nobody, "store"), "Move", "ROLE_MISSING"},
		{nobody, "Burn", "NOT_SIGNED_IN"}, {as(nobody, "stores", "admin"), "Burn", "ROLE_MISSING"},
		{as(nobody, auth.SignedIn), "Burn", "ROLE_MISSING"},
	} {
		err := policy.Authorise(c.ctx, "/shelf.v1.Shelf/"+c.method)
		if c.reason == "" && err != nil || c.reason != "" && !fault.HasReason(err, c.reason) {
			id, _ := auth.FromContext(c.ctx)
			t.Errorf("%v calling %s: got %v, want %q", id.Roles, c.method, err, c.reason)
		}
	}
}

func TestALimitedCallerMayCallScopedMethodsOnly(t *testing.T) {
	policy := auth.Policy{}.For("shelf.v1.Shelf", []string{"planner"}, "Move", "Show").For("shelf.v1.Shelf", []string{auth.Anyone}, "Ask").
		Scope("shelf.v1.Shelf", "Show")
	guest := func(roles ...string) context.Context {
		return auth.NewContext(t.Context(), auth.Identity{Account: "accounts/guest", Roles: roles, Owners: []string{"north"}})
	}
	for _, c := range []struct {
		ctx            context.Context
		method, reason string
	}{
		{guest("planner"), "Show", ""}, {guest("planner"), "Move", "OWNER_LIMITED"}, {guest("planner"), "Ask", ""},
		{guest("viewer"), "Show", "ROLE_MISSING"}, {guest("viewer"), "Move", "ROLE_MISSING"}, {guest("planner"), "Burn", "ROLE_MISSING"},
		{as(t.Context(), "planner"), "Show", ""}, {as(t.Context(), "planner"), "Move", ""},
	} {
		err := policy.Authorise(c.ctx, "/shelf.v1.Shelf/"+c.method)
		if c.reason == "" && err != nil || c.reason != "" && !fault.HasReason(err, c.reason) {
			t.Errorf("%s: got %v, want %q", c.method, err, c.reason)
		}
	}
	if err := policy.Authorise(as(t.Context(), "viewer"), "/shelf.v1.Shelf/Show"); strings.Contains(err.Error(), auth.OwnerScoped) {
		t.Errorf("the refusal names %q among the roles: %v", auth.OwnerScoped, err)
	}
}

func TestNobodyByDefault(t *testing.T) {
	if id, ok := auth.FromContext(t.Context()); ok || id.Account != "" {
		t.Errorf("an empty context has caller %v", id)
	}
	if id, ok := auth.FromContext(as(t.Context(), "stores")); !ok || !id.Has("stores") || id.Has("store") || id.Has("") {
		t.Errorf("got %v, %v", id, ok)
	}
}

func TestPasswords(t *testing.T) {
	hash := auth.HashPassword("correct horse battery")
	if strings.Contains(hash, "horse") || hash == auth.HashPassword("correct horse battery") {
		t.Errorf("hash %q shows the password or has no salt", hash)
	}
	for password, want := range map[string]bool{
		"correct horse battery": true, "correct horse batterY": false, "": false, "correct horse battery ": false,
	} {
		if got := auth.CheckPassword(password, hash); got != want {
			t.Errorf("%q matches: %v", password, got)
		}
	}
	for _, broken := range []string{"", "x", hash[:len(hash)-2], "plain$" + hash, strings.Replace(hash, "argon2id", "argon2i", 1)} {
		if auth.CheckPassword("correct horse battery", broken) || auth.CheckPassword("", broken) {
			t.Errorf("a password matches the unreadable hash %q", broken)
		}
	}
}

func TestSecrets(t *testing.T) {
	a, b := auth.NewSecret("cs_"), auth.NewSecret("cs_")
	if a == b || !strings.HasPrefix(a, "cs_") || len(a) < 40 {
		t.Errorf("secrets %q and %q", a, b)
	}
	hash := auth.HashSecret(a)
	if hash == auth.HashSecret(b) || hash != auth.HashSecret(a) || strings.Contains(hash, a) {
		t.Error("the hash of a secret is not its own")
	}
}

// Who must still enrol a second factor manages the own session and nothing else, whatever other roles there are; what is open to anyone stays open.
func TestWithoutTheSecondFactorThatIsDue(t *testing.T) {
	const session, shelf = "coldsection.access.v1.SessionService", "shelf.v1.Shelf"
	policy := auth.Policy{}.For(session, []string{auth.SignedIn}, "EnrolSecondFactor").For(session, []string{"admin"}, "Odd").
		For(shelf, []string{auth.SignedIn}, "Look").For(shelf, []string{"planner"}, "Move").For(shelf, []string{auth.Anyone}, "Ask")
	for _, roles := range [][]string{{auth.SecondFactorDue}, {auth.SecondFactorDue, "planner", "admin"}} {
		for method, reason := range map[string]string{
			"/" + session + "/EnrolSecondFactor": "", "/" + session + "/Odd": "SECOND_FACTOR_DUE", "/" + shelf + "/Look": "SECOND_FACTOR_DUE",
			"/" + shelf + "/Move": "SECOND_FACTOR_DUE", "/" + shelf + "/Burn": "SECOND_FACTOR_DUE", "/" + shelf + "/Ask": "",
		} {
			if err := policy.Authorise(as(t.Context(), roles...), method); reason == "" && err != nil || reason != "" && !fault.HasReason(err, reason) {
				t.Errorf("%v calling %s: got %v, want %q", roles, method, err, reason)
			}
		}
	}
}
