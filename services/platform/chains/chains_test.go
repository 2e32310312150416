package chains_test

import (
	"bytes"
	"context"
	"log/slog"
	"testing"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	operationsv1 "coldsection.example/proto/coldsection/operations/v1"
	"coldsection.example/services/platform/auth"
	"coldsection.example/services/platform/chains"
	"coldsection.example/services/platform/clock"
	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/ids"
	"coldsection.example/services/platform/listing"
	"coldsection.example/services/platform/recordchain"
	"coldsection.example/services/platform/rpc"
	"coldsection.example/services/platform/rpc/rpctest"
	"coldsection.example/services/platform/storage"
	"coldsection.example/services/platform/storage/storagetest"
)

var morning = time.Date(2026, time.March, 1, 8, 0, 0, 0, time.UTC)

const signatures = "recordChains/workorders-signatures"

// keeper is a service that keeps chains, over gRPC.
type keeper struct {
	operationsv1.RecordChainsServiceClient

	t     *testing.T
	db    *storage.DB
	clock *clock.Fake
}

func keepers(t *testing.T, fn func(t *testing.T, k keeper)) {
	t.Helper()
	storagetest.Engines(t, storage.Migrations{}, func(t *testing.T, db *storage.DB) {
		keys, err := auth.NewKeys(bytes.Repeat([]byte("k"), 32))
		if err != nil {
			t.Fatal(err)
		}
		k := keeper{t: t, db: db, clock: clock.NewFake(morning)}
		srv, err := rpc.NewServer(rpc.Deps{Clock: k.clock, IDs: ids.System(), Keys: keys, Log: slog.New(slog.DiscardHandler)})
		if err != nil {
			t.Fatal(err)
		}
		chains.Register(srv, chains.Deps{DB: db, Clock: k.clock, Lister: listing.New([]byte("secret")), Service: "workorders"})
		k.RecordChainsServiceClient = operationsv1.NewRecordChainsServiceClient(rpctest.Dial(t, srv, rpc.Caller{Keys: keys, Clock: k.clock}))
		fn(t, k)
	})
}

// as calls as somebody with a role.
func (k keeper) as(role, person string) context.Context {
	return auth.NewContext(k.t.Context(), auth.Identity{Account: "accounts/quinn", Person: person, Roles: []string{role}, Kind: auth.Human})
}

func (k keeper) quality() context.Context { return k.as("quality", "people/quinn") }

// signs adds an entry at the present time.
func (k keeper) signs(stream string) error {
	k.t.Helper()
	return k.db.Update(k.t.Context(), func(ctx context.Context, tx *storage.Tx) error {
		_, _, err := recordchain.Append(ctx, tx, recordchain.Entry{Stream: stream, Kind: "released", Subject: "workOrders/1", At: k.clock.Now(), Actor: "accounts/ada"})
		return err
	})
}

func (k keeper) confirmation(name string, off time.Duration) *operationsv1.ConfirmClockRequest {
	return &operationsv1.ConfirmClockRequest{Name: name, CurrentTime: timestamppb.New(k.clock.Now().Add(off)), Reason: "The server's battery was flat; my watch says so."}
}

// Case E10: after a day on which the clock was ten years ahead nothing is signed, until quality reads another clock that agrees with it.
func TestQualityConfirmsTheClock(t *testing.T) {
	keepers(t, func(t *testing.T, k keeper) {
		k.clock.Advance(87_600 * time.Hour)
		if err := k.signs("signatures"); err != nil {
			t.Fatal(err)
		}
		k.clock.Set(morning)
		if err := k.signs("signatures"); !fault.HasReason(err, "CLOCK_BEHIND_RECORD") {
			t.Fatalf("got %v", err)
		}
		page, err := k.ListRecordChains(k.quality(), &operationsv1.ListRecordChainsRequest{})
		if err != nil || len(page.GetRecordChains()) != 1 || !page.GetRecordChains()[0].GetClockBehind() || page.GetRecordChains()[0].GetName() != signatures {
			t.Fatalf("got %v, %v", page, err)
		}
		for reason, try := range map[string]struct {
			ctx context.Context
			req *operationsv1.ConfirmClockRequest
		}{
			"ROLE_MISSING":        {k.as("releaser", "people/rita"), k.confirmation(signatures, 0)},
			"PERSON_NEEDED":       {k.as("quality", ""), k.confirmation(signatures, 0)},
			"CLOCK_NOT_CONFIRMED": {k.quality(), k.confirmation(signatures, 3*time.Minute)},
			"NOT_FOUND":           {k.quality(), k.confirmation("recordChains/workorders-none", 0)},
			"FIELD_INVALID":       {k.quality(), &operationsv1.ConfirmClockRequest{Name: signatures, CurrentTime: timestamppb.New(morning), Reason: "why"}},
		} {
			if _, err := k.ConfirmClock(try.ctx, try.req); !fault.HasReason(rpc.FromStatus(err), reason) {
				t.Errorf("got %v, want %s", err, reason)
			}
		}
		for range 2 {
			got, err := k.ConfirmClock(k.quality(), k.confirmation(signatures, time.Minute))
			if err != nil || got.GetClockBehind() || got.GetEntryCount() != 2 || !got.GetLastEntryTime().AsTime().Equal(morning) {
				t.Fatalf("got %v, %v", got, err)
			}
		}
		if err := k.signs("signatures"); err != nil {
			t.Errorf("after the confirmation: %v", err)
		}
		if got, err := k.GetRecordChain(k.as("admin", ""), &operationsv1.GetRecordChainRequest{Name: signatures}); err != nil || got.GetEntryCount() != 3 {
			t.Errorf("got %v, %v", got, err)
		}
	})
}

// A name of another service's chain is missing here, and a clock that is right changes nothing.
func TestChainsThatAreNotBehindStayAsTheyAre(t *testing.T) {
	keepers(t, func(t *testing.T, k keeper) {
		for _, stream := range []string{"signatures", "water_grades"} {
			if err := k.signs(stream); err != nil {
				t.Fatal(err)
			}
		}
		if _, err := k.ConfirmClock(k.quality(), k.confirmation("recordChains/compliance-signatures", 0)); !fault.HasReason(rpc.FromStatus(err), "NOT_FOUND") {
			t.Errorf("another service's: %v", err)
		}
		k.clock.Set(morning.Add(-recordchain.Slack))
		if got, err := k.ConfirmClock(k.quality(), k.confirmation(signatures, 0)); err != nil || got.GetEntryCount() != 1 || got.GetClockBehind() {
			t.Errorf("got %v, %v", got, err)
		}
		page, err := k.ListRecordChains(k.quality(), &operationsv1.ListRecordChainsRequest{PageSize: 1})
		if err != nil || len(page.GetRecordChains()) != 1 || page.GetNextPageToken() == "" {
			t.Errorf("got %v, %v", page, err)
		}
	})
}
