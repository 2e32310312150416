package webhooks

import (
	"bytes"
	"context"
	"fmt"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"net/netip"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"coldsection.example/gateway/internal/accounts"
	accessv1 "coldsection.example/proto/coldsection/access/v1"
	"coldsection.example/services/platform/auth"
	"coldsection.example/services/platform/clock"
	"coldsection.example/services/platform/eventbus"
	"coldsection.example/services/platform/ids"
	"coldsection.example/services/platform/outbox"
	"coldsection.example/services/platform/storage"
	"coldsection.example/services/platform/storage/storagetest"
)

var start = time.Date(2026, 3, 1, 8, 0, 0, 0, time.UTC)

// stream is a stream of facts that holds n of them, about ten resources by turns.
type stream struct{ n uint64 }

func (s stream) Bounds(context.Context) (oldest, newest uint64, err error) { return 0, s.n, nil }

func (s stream) Feed(_ context.Context, q eventbus.FeedQuery) (facts []eventbus.Message, next uint64, err error) {
	for next = q.After; next < s.n && len(facts) < q.Limit; {
		next++
		facts = append(facts, eventbus.Message{Sequence: next, Event: outbox.Event{
			ID: fmt.Sprintf("fact-%03d", next), Type: "coldsection.stock.issued.v1", Source: "consumables",
			Subject: fmt.Sprintf("lots/l%d", next%10), Time: start, Data: []byte(`{}`),
		}})
	}
	return facts, next, nil
}

// counted answers with these statuses first and writes down the ids that came.
func counted(t *testing.T, statuses ...int) (url string, came func() []string) {
	t.Helper()
	var mu sync.Mutex
	var got []string
	s := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		mu.Lock()
		defer mu.Unlock()
		got = append(got, r.Header.Get("Webhook-Id"))
		if len(statuses) > 0 {
			w.WriteHeader(statuses[0])
			statuses = statuses[1:]
		}
	}))
	t.Cleanup(s.Close)
	return s.URL, func() []string {
		mu.Lock()
		defer mu.Unlock()
		return slices.Clone(got)
	}
}

// instances are n gateways on one database, with one endpoint that begins at the oldest fact.
func instances(t *testing.T, db *storage.DB, clk clock.Clock, facts uint64, url string, n int) []*Worker {
	t.Helper()
	keys, err := auth.NewKeys(bytes.Repeat([]byte("k"), 32))
	if err != nil {
		t.Fatal(err)
	}
	var out []*Worker
	for range n {
		s := &Store{
			DB: db, Clock: clk, IDs: ids.System(), Keys: keys, Feed: stream{facts},
			Guard: Guard{[]netip.Prefix{netip.MustParsePrefix("127.0.0.1/32")}},
		}
		w, err := NewWorker(s, slog.New(slog.DiscardHandler))
		if err != nil {
			t.Fatal(err)
		}
		out = append(out, w)
	}
	err = db.Update(t.Context(), func(ctx context.Context, tx *storage.Tx) error {
		return out[0].store.Create(ctx, tx, &accessv1.WebhookEndpoint{Name: "webhookEndpoints/erp", DisplayName: "ERP", Url: url}, 0)
	})
	if err != nil {
		t.Fatal(err)
	}
	return out
}

// pass lets every instance have its turn at the same time.
func pass(t *testing.T, workers []*Worker) {
	t.Helper()
	var all sync.WaitGroup
	for _, w := range workers {
		all.Go(w.Start(t.Context()).Wait)
	}
	all.Wait()
}

func TestInstancesShareTheWorkAndSendNothingTwice(t *testing.T) {
	storagetest.Engines(t, accounts.Migrations(), func(t *testing.T, db *storage.DB) {
		const facts = 120
		url, came := counted(t)
		pass(t, instances(t, db, clock.NewFake(start), facts, url, 3))
		got := came()
		if len(got) != facts || len(slices.Compact(slices.Sorted(slices.Values(got)))) != facts {
			t.Errorf("%d messages came for %d facts", len(got), facts)
		}
		last := map[byte]string{}
		for _, id := range got { // the last digit is the resource
			if subject := id[len(id)-1]; id < last[subject] {
				t.Errorf("%s came after %s", id, last[subject])
			} else {
				last[subject] = id
			}
		}
	})
}

func TestAMessageOfAnInstanceThatDiedIsSentByAnother(t *testing.T) {
	storagetest.Engines(t, accounts.Migrations(), func(t *testing.T, db *storage.DB) {
		clk := clock.NewFake(start)
		url, came := counted(t)
		workers := instances(t, db, clk, 1, url, 2)
		dead, alive := workers[0], workers[1]
		if _, err := dead.store.take(t.Context(), "webhookEndpoints/erp"); err != nil {
			t.Fatal(err)
		}
		held, err := dead.store.claim(t.Context(), "webhookEndpoints/erp")
		if err != nil || len(held) != 1 {
			t.Fatalf("%v, %v", held, err)
		}
		pass(t, []*Worker{alive})
		if len(came()) != 0 {
			t.Error("sent while another instance had it")
		}
		clk.Advance(claimLife)
		pass(t, []*Worker{alive})
		if got := came(); len(got) != 1 {
			t.Errorf("%v came", got)
		}
		d, err := dead.store.settle(t.Context(), held[0], outcome{at: start, problem: "late"})
		if err != nil || d != nil {
			t.Errorf("who lost its claim wrote %v, %v", d, err)
		}
	})
}

func TestOldDeliveriesAreForgotten(t *testing.T) {
	storagetest.Engines(t, accounts.Migrations(), func(t *testing.T, db *storage.DB) {
		clk := clock.NewFake(start)
		url, _ := counted(t, http.StatusInternalServerError)
		workers := instances(t, db, clk, 2, url, 1)
		workers[0].store.Feed = stream{1}
		pass(t, workers) // this one waits to be sent again
		workers[0].store.Feed = stream{2}
		pass(t, workers) // this one was delivered
		for _, c := range []struct {
			after time.Duration
			want  string
		}{{keep, "2 2"}, {time.Second, "1 1"}} {
			clk.Advance(c.after)
			if err := workers[0].store.Purge(t.Context()); err != nil {
				t.Fatal(err)
			}
			if got := counts(t, db); got != c.want {
				t.Errorf("after %v more: deliveries and messages %s, want %s", c.after, got, c.want)
			}
		}
	})
}

func counts(t *testing.T, db *storage.DB) string {
	t.Helper()
	var out []string
	if err := db.View(t.Context(), func(ctx context.Context, tx *storage.Tx) error {
		for _, table := range []string{"webhook_deliveries", "webhook_messages"} {
			var n int
			if err := tx.QueryRow(ctx, "SELECT count(*) FROM "+table).Scan(&n); err != nil {
				return err
			}
			out = append(out, fmt.Sprint(n))
		}
		return nil
	}); err != nil {
		t.Fatal(err)
	}
	return strings.Join(out, " ")
}
