package gateway_test

import (
	"context"
	"testing"

	"coldsection.example/gateway/internal/webhooks"
	accessv1 "coldsection.example/proto/coldsection/access/v1"
	"coldsection.example/services/platform/storage"
)

// older makes an endpoint what it was before an earlier release knew something of it.
func (w *world) older(forget func(e *accessv1.WebhookEndpoint)) {
	w.t.Helper()
	err := w.gw.DB().Update(w.t.Context(), func(ctx context.Context, tx *storage.Tx) error {
		e, err := webhooks.Endpoints.Lock(ctx, tx, "webhookEndpoints/erp")
		if err != nil {
			return err
		}
		forget(e)
		return webhooks.Endpoints.Save(ctx, tx, e, w.clock.Now())
	})
	if err != nil {
		w.t.Fatal(err)
	}
}

// An endpoint of before anybody had to answer for it is sent nothing: it stops, says why, and goes on with all that it missed once somebody takes it over.
func TestAnEndpointThatNobodyAnswersForStops(t *testing.T) {
	w, r := newWorld(t), newReceiver(t)
	w.subscribe(r)
	w.happen("lots/a", "f1")
	w.deliver()
	w.older(func(e *accessv1.WebhookEndpoint) { e.ResponsibleAccount, e.ResponsibleKey, e.Scopes = "", "", nil })
	w.happen("lots/a", "f2")
	w.deliver()
	e := w.endpoint()
	if n := len(r.got()); n != 1 || e.GetState() != accessv1.WebhookEndpoint_DISABLED ||
		e.GetDisableReason() != "It was made when nobody had to answer for what an endpoint is sent, so nothing says what it may have. "+
			"Nothing is lost meanwhile. An administrator or integrator, or a key of one, takes the endpoint over by enabling it." {
		t.Errorf("%d messages, %v: %s", n, e.GetState(), e.GetDisableReason())
	}
	if _, err := w.hooks().EnableWebhookEndpoint(w.as(w.admin), &accessv1.EnableWebhookEndpointRequest{Name: e.GetName()}); err != nil {
		t.Fatal(err)
	}
	w.deliver()
	if n, by := len(r.got()), w.endpoint().GetResponsibleAccount(); n != 2 || by != "accounts/admin" {
		t.Errorf("taken over: %d messages, answered for by %s", n, by)
	}
}

// An endpoint that was made with a narrow key, before endpoints said so, has what the key has.
func TestAnOlderEndpointIsAsNarrowAsItsKey(t *testing.T) {
	w, r := newWorld(t), newReceiver(t)
	_, secret := w.machine([]string{"integrator"}, "area:access", "area:workorders")
	if _, err := w.hooks().CreateWebhookEndpoint(w.as(secret), &accessv1.CreateWebhookEndpointRequest{
		WebhookEndpointId: "erp", WebhookEndpoint: &accessv1.WebhookEndpoint{DisplayName: "ERP", Url: r.URL},
	}); err != nil {
		t.Fatal(err)
	}
	w.older(func(e *accessv1.WebhookEndpoint) { e.Scopes = nil })
	w.happen("lots/a", "f1")
	w.tell("f2", "coldsection.workorder.started.v1")
	w.deliver()
	if got := r.got(); len(got) != 1 || got[0].id() != "f2" {
		t.Errorf("%d messages: %v", len(got), got)
	}
}

// What leaves the house needs somebody who may let it: an endpoint stops with its maker, and goes on once another takes it over.
func TestAnEndpointStopsWithWhoAnswersForIt(t *testing.T) {
	for name, leave := range map[string]func(w *world) error{
		"the account is disabled": func(w *world) error {
			_, err := accessv1.NewAccessServiceClient(w.conn).DisableAccount(w.as(w.admin), &accessv1.DisableAccountRequest{Name: "accounts/ines"})
			return err
		},
		"the role is taken away": func(w *world) error {
			_, err := accessv1.NewAccessServiceClient(w.conn).UpdateAccount(w.as(w.admin), &accessv1.UpdateAccountRequest{
				Account: &accessv1.Account{Name: "accounts/ines", Roles: []string{"viewer"}},
			})
			return err
		},
	} {
		t.Run(name, func(t *testing.T) {
			w, r := newWorld(t), newReceiver(t)
			made, err := w.hooks().CreateWebhookEndpoint(w.as(w.hire("ines", "integrator")), &accessv1.CreateWebhookEndpointRequest{
				WebhookEndpointId: "erp", WebhookEndpoint: &accessv1.WebhookEndpoint{DisplayName: "ERP", Url: r.URL},
			})
			if err != nil || made.GetResponsibleAccount() != "accounts/ines" {
				t.Fatalf("%v, %v", made, err)
			}
			w.happen("lots/a", "f1")
			w.deliver()
			if err := leave(w); err != nil {
				t.Fatal(err)
			}
			w.happen("lots/a", "f2")
			w.deliver()
			e := w.endpoint()
			if n := len(r.got()); n != 1 || e.GetState() != accessv1.WebhookEndpoint_DISABLED ||
				e.GetDisableReason() != "accounts/ines, who answered for it, may not have endpoints any more. "+
					"Another administrator or integrator, or another key, takes the endpoint over by enabling it." {
				t.Errorf("%d messages, %v: %s", n, e.GetState(), e.GetDisableReason())
			}
			if _, err := w.hooks().EnableWebhookEndpoint(w.as(w.admin), &accessv1.EnableWebhookEndpointRequest{Name: "webhookEndpoints/erp"}); err != nil {
				t.Fatal(err)
			}
			w.deliver()
			if n, by := len(r.got()), w.endpoint().GetResponsibleAccount(); n != 2 || by != "accounts/admin" {
				t.Errorf("once another took it over: %d messages, answered for by %s", n, by)
			}
		})
	}
}

// Whoever sends an endpoint's facts elsewhere answers for it: once that account is gone, nothing is sent there any more, though its maker is
// still in the house.
func TestWhoChangesWhereFactsGoAnswersForIt(t *testing.T) {
	w, mine, theirs := newWorld(t), newReceiver(t), newReceiver(t)
	w.subscribe(mine)
	ines := w.hire("ines", "integrator")
	update := func(e *accessv1.WebhookEndpoint) string {
		e.Name = "webhookEndpoints/erp"
		changed, err := w.hooks().UpdateWebhookEndpoint(w.as(ines), &accessv1.UpdateWebhookEndpointRequest{WebhookEndpoint: e})
		if err != nil {
			t.Fatal(err)
		}
		return changed.GetResponsibleAccount()
	}
	if by := update(&accessv1.WebhookEndpoint{DisplayName: "ERP of the house"}); by != "accounts/admin" {
		t.Errorf("another name: answered for by %s", by)
	}
	if by := update(&accessv1.WebhookEndpoint{Url: theirs.URL}); by != "accounts/ines" {
		t.Errorf("another address: answered for by %s", by)
	}
	if _, err := accessv1.NewAccessServiceClient(w.conn).DisableAccount(w.as(w.admin), &accessv1.DisableAccountRequest{Name: "accounts/ines"}); err != nil {
		t.Fatal(err)
	}
	w.happen("lots/a", "f1")
	w.deliver()
	if n := len(theirs.got()); n != 0 || w.endpoint().GetState() != accessv1.WebhookEndpoint_DISABLED {
		t.Errorf("%d messages, and the endpoint is %v", n, w.endpoint().GetState())
	}
}
