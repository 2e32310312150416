package gateway_test

import (
	"context"
	"fmt"
	"strings"
	"testing"
	"time"

	accessv1 "coldsection.example/proto/coldsection/access/v1"
	"coldsection.example/services/platform/storage"
)

// heldOf is all that the database has of an endpoint's place, secrets and messages.
func (w *world) heldOf(endpoint string) string {
	w.t.Helper()
	var lines []string
	if err := w.gw.DB().View(w.t.Context(), func(ctx context.Context, tx *storage.Tx) error {
		var cursor, failed, end int64
		var secret, old []byte
		if err := tx.QueryRow(ctx, "SELECT cursor_sequence, first_failure_time, secret, old_secret, old_secret_expire FROM webhook_progress WHERE endpoint = $1", endpoint).
			Scan(&cursor, &failed, &secret, &old, &end); err != nil {
			return err
		}
		rows, err := storage.Collect(ctx, tx, func(row storage.Scanner) (string, error) {
			var name, state, claim string
			var waiting, tried, due int64
			err := row.Scan(&name, &state, &waiting, &tried, &due, &claim)
			return fmt.Sprint(name, " ", state, " ", waiting, " ", tried, " ", due, " ", claim), err
		}, `SELECT d.name, d.state, m.waiting, m.tried, m.due_time, m.claim FROM webhook_messages m JOIN webhook_deliveries d ON d.name = m.delivery
			WHERE m.endpoint = $1 ORDER BY d.name`, endpoint)
		lines = append([]string{fmt.Sprintf("%d %d %x %x %d", cursor, failed, secret, old, end)}, rows...)
		return err
	}); err != nil {
		w.t.Fatal(err)
	}
	return strings.Join(lines, "\n")
}

// Facts, secrets and messages of one endpoint are of no other: neither is sent them, nor touched by what is done to the other.
func TestWhatIsDoneToOneEndpointTouchesNoOther(t *testing.T) {
	w, r, other := newWorld(t), newReceiver(t, 500, 500), newReceiver(t, 500, 500)
	secrets := []string{w.subscribe(r).GetSecret()}
	made, err := w.hooks().CreateWebhookEndpoint(w.as(w.admin), &accessv1.CreateWebhookEndpointRequest{
		WebhookEndpointId: "other", WebhookEndpoint: &accessv1.WebhookEndpoint{DisplayName: "Other", Url: other.URL},
	})
	if err != nil {
		t.Fatal(err)
	}
	w.happen("lots/a", "f1")
	w.happen("lots/b", "f2")
	w.deliver()
	if len(r.got()) != 2 || len(other.got()) != 2 {
		t.Fatalf("%d messages to one and %d to the other, want the two facts to each", len(r.got()), len(other.got()))
	}
	before := w.heldOf(made.GetName())
	erp := "webhookEndpoints/erp"
	for _, c := range []struct {
		what string
		call func() error
	}{
		{"another secret", func() error { _, err := w.rotate(time.Hour); return err }},
		{"disabled", func() error {
			_, err := w.hooks().DisableWebhookEndpoint(w.as(w.admin), &accessv1.DisableWebhookEndpointRequest{Name: erp})
			return err
		}},
		{"enabled at once", func() error {
			w.clock.Advance(time.Second)
			_, err := w.hooks().EnableWebhookEndpoint(w.as(w.admin), &accessv1.EnableWebhookEndpointRequest{Name: erp})
			return err
		}},
		{"enabled without what it missed", func() error {
			w.happen("lots/c", "f3")
			_, err := w.hooks().EnableWebhookEndpoint(w.as(w.admin), &accessv1.EnableWebhookEndpointRequest{Name: erp, SkipMissed: true})
			return err
		}},
		{"one message anew", func() error {
			_, err := w.hooks().ReplayWebhookDelivery(w.as(w.admin), &accessv1.ReplayWebhookDeliveryRequest{Name: erp + "/deliveries/f1"})
			return err
		}},
	} {
		if err := c.call(); err != nil {
			t.Fatalf("%s: %v", c.what, err)
		}
		if after := w.heldOf(made.GetName()); after != before {
			t.Errorf("%s, and of the other is\n%s\nwhich was\n%s", c.what, after, before)
		}
	}
	if n := w.endpoint().GetWaitingCount(); n != 1 {
		t.Errorf("%d messages are sent anew, want the one", n)
	}
	w.deliver()
	if got := r.got(); len(got) != 3 || got[2].id() != "f1" {
		t.Errorf("%d messages, want one more, f1", len(got))
	}
	if err := w.gw.Reseal(t.Context()); err != nil {
		t.Fatal(err)
	}
	if good, _ := w.goodSecrets(r, append(secrets, made.GetSecret())); len(good) != 1 || good[0] != 0 || len(r.got()) != 4 {
		t.Errorf("sealed anew, the messages of one verify by %v of its own secret and the other's; %d came", good, len(r.got()))
	}
	if _, err := w.hooks().DeleteWebhookEndpoint(w.as(w.admin), &accessv1.DeleteWebhookEndpointRequest{Name: erp}); err != nil {
		t.Fatal(err)
	}
	w.clock.Advance(time.Hour)
	w.deliver()
	seen := map[string]bool{}
	for _, c := range other.got() {
		seen[c.id()] = true
	}
	if !seen["f1"] || !seen["f2"] || !seen["f3"] || strings.Contains(w.heldOf(made.GetName()), "WAITING") || len(other.got()) < 5 {
		t.Errorf("once the one was removed, the other got %v and has\n%s", seen, w.heldOf(made.GetName()))
	}
}
