package gateway

import (
	"context"
	"log/slog"
	"strings"
	"testing"
	"time"

	"coldsection.example/gateway/internal/audit"
	"coldsection.example/gateway/internal/beside"
	"coldsection.example/services/platform/auth"
	"coldsection.example/services/platform/fault"
)

// An audit that panics refuses the change whose line it had, and ends nothing else; a refusal is answered all the same.
func TestAPanicOfTheAuditStaysWithItsCall(t *testing.T) {
	d := &doorman{audit: &audit.Log{Log: slog.New(slog.DiscardHandler)}} // it has no store, no clock and no ids
	d.refused(auth.NewContext(t.Context(), auth.Identity{Account: "accounts/a"}), "/x/Y", "", fault.Missing("z"))
}

// Whoever can't be looked at again loses the stream.
func TestAPanicOfTheSecondLookEndsTheStream(t *testing.T) {
	due := make(chan time.Time, 1)
	due <- time.Time{}
	d := &doorman{assertion: func(context.Context) (context.Context, error) { panic("no store") }, clock: stopped{}}
	err := beside.Do(t.Context(), slog.New(slog.DiscardHandler), "looking", func() error { return d.recheck(t.Context(), due, "/x/Y") })
	if err == nil || !strings.Contains(err.Error(), "no store") {
		t.Errorf("%v", err)
	}
}

type stopped struct{}

func (stopped) Now() time.Time                       { return time.Time{} }
func (stopped) After(time.Duration) <-chan time.Time { return nil }

// A stream is as it was decided when it was opened, so it ends when its caller has less; more takes nothing away.
func TestAStreamEndsWhenItsCallerHasLess(t *testing.T) {
	as := func(roles string, scopes, owners string) context.Context {
		return auth.NewContext(t.Context(), auth.Identity{
			Account: "accounts/a", Roles: strings.Fields(roles), Scopes: strings.Fields(scopes), Owners: strings.Fields(owners),
		})
	}
	for _, c := range []struct {
		opened, now context.Context
		ends        bool
	}{
		{as("viewer admin", "", ""), as("viewer admin", "", ""), false}, {as("viewer", "", ""), as("admin viewer", "", ""), false},
		{as("viewer admin", "", ""), as("viewer", "", ""), true}, {as("viewer", "", ""), as("", "", ""), true},
		{as("viewer", "", ""), as("viewer", "area:access", ""), true}, {as("viewer", "", ""), as("viewer", "", "north"), true},
		{as("viewer", "", "north"), as("viewer", "", "north"), false},
	} {
		if err := lessThan(c.opened, c.now); fault.HasReason(err, "RIGHTS_CHANGED") != c.ends || (err != nil) != c.ends {
			t.Errorf("%+v: %v", c, err)
		}
	}
}
