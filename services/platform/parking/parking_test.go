package parking_test

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"log/slog"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	consumablesv1 "coldsection.example/proto/coldsection/consumables/v1"
	operationsv1 "coldsection.example/proto/coldsection/operations/v1"
	"coldsection.example/services/platform/auth"
	"coldsection.example/services/platform/clock"
	"coldsection.example/services/platform/eventbus"
	"coldsection.example/services/platform/eventbus/eventbustest"
	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/ids"
	"coldsection.example/services/platform/listing"
	"coldsection.example/services/platform/outbox"
	"coldsection.example/services/platform/parking"
	"coldsection.example/services/platform/rpc"
	"coldsection.example/services/platform/rpc/rpctest"
	"coldsection.example/services/platform/storage"
	"coldsection.example/services/platform/storage/storagetest"
)

var now = time.Date(2026, 3, 1, 8, 0, 0, 0, time.UTC)

// yard is a service whose consumer fails of the facts that are broken, and its parked facts over gRPC.
type yard struct {
	operationsv1.ParkedFactsServiceClient

	t      *testing.T
	db     *storage.DB
	broken *atomic.Pointer[[]string] // ids of facts that can't take effect
	why    *atomic.Pointer[string]   // what they fail with
	heard  *sync.Map                 // how often each took effect
}

// yards runs fn on each engine, with three facts about one lot of which the first fails and one about another lot that fails too.
func yards(t *testing.T, fn func(t *testing.T, y yard)) {
	t.Helper()
	storagetest.Engines(t, storage.Migrations{}, func(t *testing.T, db *storage.DB) {
		y := yard{t: t, db: db, broken: &atomic.Pointer[[]string]{}, why: &atomic.Pointer[string]{}, heard: &sync.Map{}}
		y.failsWith("the lot is not known here")
		y.breaks("a1", "b1")
		consumer := eventbus.Consumer{Durable: "reader", Types: []string{"coldsection.stock.*"}, Handle: y.handle}
		keys, err := auth.NewKeys(bytes.Repeat([]byte("k"), 32))
		if err != nil {
			t.Fatal(err)
		}
		srv, err := rpc.NewServer(rpc.Deps{Clock: clock.NewFake(now), IDs: ids.System(), Keys: keys, Log: slog.New(slog.DiscardHandler)})
		if err != nil {
			t.Fatal(err)
		}
		parking.Register(srv, parking.Deps{DB: db, Clock: clock.NewFake(now), Lister: listing.New([]byte("secret")), Consumer: consumer})
		y.ParkedFactsServiceClient = operationsv1.NewParkedFactsServiceClient(rpctest.Dial(t, srv, rpc.Caller{Keys: keys, Clock: clock.NewFake(now)}))
		bus := eventbustest.Embedded(t)
		for i, name := range []string{"a1", "a2", "a3", "b1", "c1"} {
			e := outbox.New(name, now, "consumables", "coldsection.stock.issued.v1", "lots/"+name[:1], &consumablesv1.StockMoved{Movement: name})
			e.Version, e.Actor = int64(i+1), "accounts/ada"
			if err := bus.Publish(t.Context(), e); err != nil {
				t.Fatal(err)
			}
		}
		ctx, cancel := context.WithCancel(t.Context())
		var running sync.WaitGroup
		running.Go(func() { _ = bus.Run(ctx, db, clock.System(), slog.New(slog.DiscardHandler), consumer) })
		t.Cleanup(func() { cancel(); running.Wait() })
		y.await(func() bool { return y.times("c1") == 1 })
		fn(t, y)
	})
}

func (y yard) breaks(names ...string) { y.broken.Store(&names) }

func (y yard) failsWith(why string) { y.why.Store(&why) }

func (y yard) handle(_ context.Context, m eventbus.Message) (eventbus.Effect, error) {
	if slices.Contains(*y.broken.Load(), m.ID) {
		return nil, errors.New(*y.why.Load())
	}
	return func(_ context.Context, tx *storage.Tx) error {
		tx.AfterCommit(func() {
			n, _ := y.heard.LoadOrStore(m.ID, &atomic.Int32{})
			n.(*atomic.Int32).Add(1)
		})
		return nil
	}, nil
}

// times is how often a fact took effect.
func (y yard) times(id string) int32 {
	n, ok := y.heard.Load(id)
	if !ok {
		return 0
	}
	return n.(*atomic.Int32).Load()
}

func (y yard) await(done func() bool) {
	y.t.Helper()
	for limit := clock.System().After(time.Minute); !done(); {
		select {
		case <-limit:
			y.t.Fatal("what should follow does not")
		case <-clock.System().After(5 * time.Millisecond):
		}
	}
}

func (y yard) as(role string) context.Context {
	return auth.NewContext(y.t.Context(), auth.Identity{Account: "accounts/" + role, Roles: []string{role}, Kind: auth.Human})
}

// list is what is parked and given up, in the order of ids.
func (y yard) list(filter string) (all []string) {
	y.t.Helper()
	token := ""
	for pages := 0; pages == 0 || token != ""; pages++ {
		page, err := y.ListParkedFacts(y.as("quality"), &operationsv1.ListParkedFactsRequest{PageSize: 1, PageToken: token, Filter: filter, OrderBy: "subject"})
		if err != nil || pages > 10 {
			y.t.Fatal(err)
		}
		for _, p := range page.GetParkedFacts() {
			all = append(all, fmt.Sprintf("%s %s", p.GetEvent(), p.GetState()))
		}
		token = page.GetNextPageToken()
	}
	slices.Sort(all)
	return all
}

// checkList compares what is parked and given up.
func (y yard) checkList(filter string, want ...string) {
	y.t.Helper()
	if got := y.list(filter); !slices.Equal(got, want) {
		y.t.Errorf("%q lists %v, want %v", filter, got, want)
	}
}

func (y yard) retry(id string) (*operationsv1.ParkedFact, error) {
	return y.RetryParkedFact(y.as("admin"), &operationsv1.RetryParkedFactRequest{Name: "parkedFacts/reader-" + id})
}

func (y yard) discard(id string) (*operationsv1.ParkedFact, error) {
	return y.DiscardParkedFact(y.as("admin"), &operationsv1.DiscardParkedFactRequest{Name: "parkedFacts/reader-" + id, Reason: "Entered by hand as M-7."})
}

func (y yard) refused(err error, reason, words string) {
	y.t.Helper()
	if !fault.HasReason(err, reason) || !strings.Contains(err.Error(), words) {
		y.t.Errorf("got %v, want %s with %q", err, reason, words)
	}
}

// What waits is seen with the reason; a fact that still fails says why, one behind it names it, and once the first is put right and tried
// again, those behind it follow by themselves, each once.
func TestAParkedFactIsTriedAgain(t *testing.T) {
	yards(t, func(t *testing.T, y yard) {
		y.checkList("", "a1 PARKED", "a2 PARKED", "a3 PARKED", "b1 PARKED")
		y.checkList(`subject = "lots/b"`, "b1 PARKED")
		p, err := y.GetParkedFact(y.as("quality"), &operationsv1.GetParkedFactRequest{Name: "parkedFacts/reader-a1"})
		if err != nil || p.GetReason() != "the lot is not known here" || p.GetActor() != "accounts/ada" || p.GetData().AsMap()["movement"] != "a1" || p.GetParkTime() == nil {
			t.Errorf("%v, %v", p, err)
		}
		_, err = y.retry("a2")
		y.refused(err, "PARKED_BEHIND", "parkedFacts/reader-a1")
		_, err = y.retry("a1")
		y.refused(err, "PARKED_FACT_FAILS", "the lot is not known here")
		y.breaks("b1")
		for range 2 { // a second try says that it took effect
			if p, err := y.retry("a1"); err != nil || p.GetState() != operationsv1.ParkedFact_APPLIED {
				t.Errorf("%v, %v", p, err)
			}
		}
		y.await(func() bool { return y.times("a3") == 1 })
		for _, id := range []string{"a1", "a2", "a3"} {
			if n := y.times(id); n != 1 {
				t.Errorf("%s took effect %d times", id, n)
			}
		}
		y.checkList("", "b1 PARKED")
		for _, name := range []string{"reader-none", "writer-a1"} {
			_, err = y.RetryParkedFact(y.as("admin"), &operationsv1.RetryParkedFactRequest{Name: "parkedFacts/" + name})
			y.refused(err, "NOT_FOUND", name)
		}
	})
}

// Who tries a fact again is told why it fails now, in one line, and so is who looks afterwards.
func TestATryTellsTheReasonOfNow(t *testing.T) {
	yards(t, func(t *testing.T, y yard) {
		y.failsWith("the lot is blocked\nby quality")
		_, err := y.retry("a1")
		y.refused(err, "PARKED_FACT_FAILS", "parkedFacts/reader-a1 still can't take effect: the lot is blocked. Put that right")
		p, err := y.GetParkedFact(y.as("quality"), &operationsv1.GetParkedFactRequest{Name: "parkedFacts/reader-a1"})
		if err != nil || p.GetReason() != "the lot is blocked" || p.GetState() != operationsv1.ParkedFact_PARKED {
			t.Errorf("a1 says %v, %v", p, err)
		}
		y.checkList(`subject = "lots/a" AND reason = "the lot is blocked"`, "a1 PARKED")
	})
}

// A fact that is given up never takes effect, those behind it go on, and who gave it up and why stays.
func TestAParkedFactIsGivenUp(t *testing.T) {
	yards(t, func(t *testing.T, y yard) {
		_, err := y.discard("a2")
		y.refused(err, "PARKED_BEHIND", "parkedFacts/reader-a1")
		for range 2 {
			p, err := y.discard("a1")
			if err != nil || p.GetState() != operationsv1.ParkedFact_DISCARDED || p.GetDiscarder() != "accounts/admin" || p.GetDiscardReason() != "Entered by hand as M-7." ||
				!p.GetDiscardTime().AsTime().Equal(now) {
				t.Errorf("%v, %v", p, err)
			}
		}
		y.await(func() bool { return y.times("a3") == 1 })
		y.breaks()
		_, err = y.retry("a1")
		y.refused(err, "PARKED_FACT_DISCARDED", "accounts/admin")
		if p, err := y.retry("b1"); err != nil || p.GetState() != operationsv1.ParkedFact_APPLIED || y.times("b1") != 1 {
			t.Errorf("%v, %v", p, err)
		}
		_, err = y.discard("b1")
		y.refused(err, "NOT_FOUND", "reader-b1")
		y.checkList("", "a1 DISCARDED")
		if n := y.times("a1"); n != 0 {
			t.Errorf("the discarded fact took effect %d times", n)
		}
		if err := y.db.View(t.Context(), func(ctx context.Context, tx *storage.Tx) error {
			n, err := eventbus.CountParked(ctx, tx)
			if n != 0 {
				t.Errorf("%d facts count as parked", n)
			}
			return err
		}); err != nil {
			t.Fatal(err)
		}
	})
}

// Quality looks; only an administrator decides, and not without a reason.
func TestWhoDecidesOnParkedFacts(t *testing.T) {
	yards(t, func(t *testing.T, y yard) {
		_, err := y.ListParkedFacts(y.as("technician"), &operationsv1.ListParkedFactsRequest{})
		y.refused(err, "ROLE_MISSING", "")
		_, err = y.RetryParkedFact(y.as("quality"), &operationsv1.RetryParkedFactRequest{Name: "parkedFacts/reader-a1"})
		y.refused(err, "ROLE_MISSING", "")
		_, err = y.DiscardParkedFact(y.as("quality"), &operationsv1.DiscardParkedFactRequest{Name: "parkedFacts/reader-a1", Reason: "Entered by hand."})
		y.refused(err, "ROLE_MISSING", "")
		if _, err = y.DiscardParkedFact(y.as("admin"), &operationsv1.DiscardParkedFactRequest{Name: "parkedFacts/reader-a1", Reason: "why not"}); err == nil {
			t.Error("a fact was given up for a reason of seven letters")
		}
		y.checkList("", "a1 PARKED", "a2 PARKED", "a3 PARKED", "b1 PARKED")
	})
}
