package gateway_test

import (
	"context"
	"encoding/base64"
	"errors"
	"io"
	"net/http"
	"net/http/httptest"
	"regexp"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	standardwebhooks "github.com/standard-webhooks/standard-webhooks/libraries/go"
	"google.golang.org/protobuf/types/known/durationpb"

	accessv1 "coldsection.example/proto/coldsection/access/v1"
	consumablesv1 "coldsection.example/proto/coldsection/consumables/v1"
	"coldsection.example/services/platform/clock"
	"coldsection.example/services/platform/outbox"
	"coldsection.example/services/platform/storage"
)

// call is a message that a receiver got.
type call struct {
	header http.Header
	body   string
}

func (c call) id() string { return c.header.Get("Webhook-Id") }

// receiver is another system: it answers with these statuses one after the other, then with 200.
type receiver struct {
	*httptest.Server

	mu       sync.Mutex
	statuses []int
	calls    []call
}

func newReceiver(t *testing.T, statuses ...int) *receiver {
	t.Helper()
	r := &receiver{statuses: statuses}
	r.Server = httptest.NewServer(r)
	t.Cleanup(r.Close)
	return r
}

func (r *receiver) ServeHTTP(w http.ResponseWriter, req *http.Request) {
	body, _ := io.ReadAll(req.Body)
	r.mu.Lock()
	defer r.mu.Unlock()
	r.calls = append(r.calls, call{req.Header.Clone(), string(body)})
	status := http.StatusOK
	if len(r.statuses) > 0 {
		status, r.statuses = r.statuses[0], r.statuses[1:]
	}
	if status == http.StatusFound {
		w.Header().Set("Location", "/elsewhere")
	}
	w.WriteHeader(status)
	_, _ = io.WriteString(w, strings.Repeat("x", 2000))
}

// got are the messages so far.
func (r *receiver) got() []call {
	r.mu.Lock()
	defer r.mu.Unlock()
	return slices.Clone(r.calls)
}

// happen puts facts about a subject into the stream, with these ids.
func (w *world) happen(subject string, ids ...string) {
	w.t.Helper()
	for i, id := range ids {
		e := outbox.New(id, w.clock.Now(), "consumables", "coldsection.stock.issued.v1", subject, &consumablesv1.StockMoved{Movement: id})
		e.Version = int64(i + 1)
		if err := w.bus.Publish(w.t.Context(), e); err != nil {
			w.t.Fatal(err)
		}
	}
}

// deliver does all that the sending of webhooks can do now.
func (w *world) deliver() { w.gw.Deliver(w.t.Context()).Wait() }

func (w *world) hooks() accessv1.WebhooksServiceClient {
	return accessv1.NewWebhooksServiceClient(w.conn)
}

func (w *world) hookReader() accessv1.WebhooksQueryServiceClient {
	return accessv1.NewWebhooksQueryServiceClient(w.conn)
}

// subscribe adds an endpoint called erp.
func (w *world) subscribe(to *receiver, types ...string) *accessv1.WebhookEndpoint {
	w.t.Helper()
	e, err := w.hooks().CreateWebhookEndpoint(w.as(w.admin), &accessv1.CreateWebhookEndpointRequest{
		WebhookEndpointId: "erp", WebhookEndpoint: &accessv1.WebhookEndpoint{DisplayName: "ERP", Url: to.URL + "/facts", Types: types},
	})
	if err != nil {
		w.t.Fatal(err)
	}
	return e
}

func (w *world) endpoint() *accessv1.WebhookEndpoint {
	w.t.Helper()
	e, err := w.hookReader().GetWebhookEndpoint(w.as(w.admin), &accessv1.GetWebhookEndpointRequest{Name: "webhookEndpoints/erp"})
	if err != nil {
		w.t.Fatal(err)
	}
	return e
}

// delivery is the message of the fact f1.
func (w *world) delivery() *accessv1.WebhookDelivery {
	w.t.Helper()
	d, err := w.hookReader().GetWebhookDelivery(w.as(w.admin), &accessv1.GetWebhookDeliveryRequest{Name: "webhookEndpoints/erp/deliveries/f1"})
	if err != nil {
		w.t.Fatal(err)
	}
	return d
}

// The verifier is the public library of the specification; the limits are those of the specification.
func TestThePublicVerifierAcceptsMessages(t *testing.T) {
	w, r := newWorld(t), newReceiver(t)
	e := w.subscribe(r)
	now := clock.System().Now() // the verifier reads the machine's clock
	bytes, err := base64.StdEncoding.DecodeString(strings.TrimPrefix(e.GetSecret(), "whsec_"))
	if err != nil || !regexp.MustCompile("^whsec_").MatchString(e.GetSecret()) || len(bytes) < 24 || len(bytes) > 64 {
		t.Errorf("the secret %q: %v", e.GetSecret(), err)
	}
	verifier, err := standardwebhooks.NewWebhook(e.GetSecret())
	if err != nil {
		t.Fatal(err)
	}
	for i, c := range []struct {
		at   time.Time
		want error
	}{{now, nil}, {now.Add(-6 * time.Minute), standardwebhooks.ErrMessageTooOld}, {now.Add(6 * time.Minute), standardwebhooks.ErrMessageTooNew}} {
		w.clock.Set(c.at)
		w.happen("stockMovements/m", "fact-"+string(rune('a'+i)))
		w.deliver()
		got := r.got()
		if len(got) != i+1 {
			t.Fatalf("%d messages, want %d", len(got), i+1)
		}
		if err := verifier.Verify([]byte(got[i].body), got[i].header); !errors.Is(err, c.want) {
			t.Errorf("sent %v from now: %v, want %v", c.at.Sub(now), err, c.want)
		}
		if err := verifier.VerifyIgnoringTimestamp([]byte(got[i].body+" "), got[i].header); !errors.Is(err, standardwebhooks.ErrNoMatchingSignature) {
			t.Errorf("a changed body: %v", err)
		}
	}
	first := r.got()[0]
	if first.id() != "fact-a" || first.header.Get("Content-Type") != "application/cloudevents+json; charset=utf-8" {
		t.Errorf("headers %v", first.header)
	}
	for _, member := range []string{
		`"specversion":"1.0"`, `"id":"fact-a"`, `"source":"/coldsection/consumables"`, `"type":"coldsection.stock.issued.v1"`,
		`"subject":"stockMovements/m"`, `"datacontenttype":"application/json"`, `"data":{"movement":"fact-a"}`,
	} {
		if !strings.Contains(first.body, member) {
			t.Errorf("%s is missing from %s", member, first.body)
		}
	}
}

func TestDuringRotationBothSecretsSign(t *testing.T) {
	w, r := newWorld(t), newReceiver(t)
	old := w.subscribe(r)
	fresh, err := w.hooks().RotateWebhookSecret(w.as(w.admin), &accessv1.RotateWebhookSecretRequest{
		Name: old.GetName(), Overlap: durationpb.New(time.Hour), Etag: old.GetEtag(),
	})
	if err != nil || fresh.GetSecret() == old.GetSecret() || !fresh.GetOldSecretExpireTime().AsTime().Equal(start.Add(time.Hour)) {
		t.Fatalf("%v, %v", fresh, err)
	}
	for _, c := range []struct {
		fact       string
		signatures int
		oldIsGood  bool
	}{{"during", 2, true}, {"after", 1, false}} {
		w.happen("stockMovements/m", c.fact)
		w.deliver()
		got := r.got()[len(r.got())-1]
		if n := len(strings.Fields(got.header.Get("Webhook-Signature"))); n != c.signatures {
			t.Errorf("%s: %d signatures", c.fact, n)
		}
		for secret, good := range map[string]bool{fresh.GetSecret(): true, old.GetSecret(): c.oldIsGood} {
			verifier, err := standardwebhooks.NewWebhook(secret)
			if err != nil {
				t.Fatal(err)
			}
			if err := verifier.VerifyIgnoringTimestamp([]byte(got.body), got.header); (err == nil) != good {
				t.Errorf("%s: %v, want good %v", c.fact, err, good)
			}
		}
		w.clock.Advance(time.Hour)
	}
	if e := w.endpoint(); e.GetSecret() != "" || e.GetOldSecretExpireTime() != nil {
		t.Errorf("reading shows %v", e)
	}
}

func TestSecretsAreNotKeptInTheClear(t *testing.T) {
	w := newWorld(t)
	e := w.subscribe(newReceiver(t))
	bytes, err := base64.StdEncoding.DecodeString(strings.TrimPrefix(e.GetSecret(), "whsec_"))
	if err != nil {
		t.Fatal(err)
	}
	var n int
	err = w.gw.DB().View(t.Context(), func(ctx context.Context, tx *storage.Tx) error {
		return tx.QueryRow(ctx, `SELECT (SELECT count(*) FROM webhook_progress WHERE instr(secret, $1) > 0)
			+ (SELECT count(*) FROM idempotency_keys WHERE instr(answer, $2) > 0) + (SELECT count(*) FROM webhook_endpoints WHERE instr(body, $2) > 0)`,
			bytes, []byte(e.GetSecret())).Scan(&n)
	})
	if err != nil || n != 0 {
		t.Errorf("%d rows hold the secret: %v", n, err)
	}
}
