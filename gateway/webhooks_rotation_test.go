package gateway_test

import (
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	standardwebhooks "github.com/standard-webhooks/standard-webhooks/libraries/go"
	"google.golang.org/protobuf/types/known/durationpb"

	accessv1 "coldsection.example/proto/coldsection/access/v1"
)

// rotate gives the endpoint a new secret and returns it.
func (w *world) rotate(overlap time.Duration) (string, error) {
	w.t.Helper()
	e, err := w.hooks().RotateWebhookSecret(w.as(w.admin), &accessv1.RotateWebhookSecretRequest{
		Name: "webhookEndpoints/erp", Overlap: durationpb.New(overlap),
	})
	return e.GetSecret(), err
}

// goodSecrets are which of the secrets the public verifier takes for the message of a new fact, and how many signatures that message has.
func (w *world) goodSecrets(r *receiver, secrets []string) (good []int, signatures int) {
	w.t.Helper()
	w.happen("lots/a", fmt.Sprintf("fact-%d", len(r.got())))
	w.deliver()
	last := r.got()[len(r.got())-1]
	for i, secret := range secrets {
		verifier, err := standardwebhooks.NewWebhook(secret)
		if err != nil {
			w.t.Fatal(err)
		}
		if verifier.VerifyIgnoringTimestamp([]byte(last.body), last.header) == nil {
			good = append(good, i)
		}
	}
	return good, len(strings.Fields(last.header.Get("Webhook-Signature")))
}

// Every secret signs until its own time is over, however often it is rotated meanwhile; a receiver that has the first of them still verifies.
func TestEverySecretSignsUntilItsTimeIsOver(t *testing.T) {
	w, r := newWorld(t), newReceiver(t)
	secrets := []string{w.subscribe(r).GetSecret()}
	check := func(when string, want ...int) {
		t.Helper()
		if good, n := w.goodSecrets(r, secrets); !slices.Equal(good, want) || n != len(want) {
			t.Errorf("%s: the secrets %v are good, in %d signatures, want %v", when, good, n, want)
		}
	}
	rotate := func(overlap time.Duration) {
		t.Helper()
		secret, err := w.rotate(overlap)
		if err != nil {
			t.Fatal(err)
		}
		secrets = append(secrets, secret)
	}
	rotate(time.Hour)
	rotate(2 * time.Hour)
	check("after two rotations", 0, 1, 2)
	if end := w.endpoint().GetOldSecretExpireTime(); !end.AsTime().Equal(start.Add(2 * time.Hour)) {
		t.Errorf("the last old one ends at %v", end.AsTime())
	}
	w.clock.Advance(time.Hour)
	check("an hour later", 1, 2)
	rotate(30 * time.Minute)
	check("none outlives the one after it", 1, 2, 3)
	w.clock.Advance(30 * time.Minute)
	check("half an hour later", 3)
	rotate(time.Hour)
	rotate(0)
	check("without an overlap all older ones end", 5)
	if w.endpoint().GetOldSecretExpireTime() != nil {
		t.Errorf("%v", w.endpoint())
	}
}

// So many sign beside the current one; one more is refused, says when there is room, and changes nothing.
func TestSoManyOldSecretsSign(t *testing.T) {
	w, r := newWorld(t), newReceiver(t)
	secrets := []string{w.subscribe(r).GetSecret()}
	for range 4 {
		secret, err := w.rotate(time.Hour)
		if err != nil {
			t.Fatal(err)
		}
		secrets = append(secrets, secret)
	}
	if _, err := w.rotate(time.Hour); reasonOf(err) != "WEBHOOK_SECRETS_TOO_MANY" || !strings.Contains(err.Error(), "2026-03-01T09:00:00Z") {
		t.Errorf("one more: %v", err)
	}
	if good, n := w.goodSecrets(r, secrets); !slices.Equal(good, []int{0, 1, 2, 3, 4}) || n != 5 {
		t.Errorf("%v in %d signatures", good, n)
	}
	if err := w.gw.Reseal(t.Context()); err != nil {
		t.Fatal(err)
	}
	if good, _ := w.goodSecrets(r, secrets); !slices.Equal(good, []int{0, 1, 2, 3, 4}) {
		t.Errorf("sealed anew: %v", good)
	}
	if _, err := w.rotate(0); err != nil {
		t.Errorf("without an overlap: %v", err)
	}
}
