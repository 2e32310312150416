package workorders_test

import (
	"bytes"
	"context"
	"log/slog"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"google.golang.org/grpc"

	workordersv1 "coldsection.example/proto/coldsection/workorders/v1"
	"coldsection.example/services/platform/auth"
	"coldsection.example/services/platform/clock"
	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/ids"
	"coldsection.example/services/platform/listing"
	"coldsection.example/services/platform/rpc"
	"coldsection.example/services/platform/rpc/rpctest"
	"coldsection.example/services/platform/storage"
	"coldsection.example/services/platform/storage/storagetest"
	"coldsection.example/services/workorders"
)

const (
	engine = "engines/e1"
	gauge  = "tools/pressure-gauge"
)

// morning is when every test begins: a Saturday, 08:00 UTC.
var morning = time.Date(2026, 3, 14, 8, 0, 0, 0, time.UTC)

// roles are the people of the tests and what they may do; sam is technician and inspector at once.
var roles = map[string][]string{
	"ann": {"technician"}, "bob": {"technician"}, "ivy": {"inspector"}, "ian": {"inspector"}, "rob": {"releaser"}, "pat": {"planner"}, "quinn": {"quality"},
	"sam": {"technician", "inspector"}, "mia": {"technician", "inspector", "releaser"},
}

// stage is the service, served over gRPC beside its neighbours.
type stage struct {
	t       testing.TB
	clock   *clock.Fake
	keys    *auth.Keys
	near    *neighbours
	service *workorders.Service
	proofs  ids.Sequence
	do      workordersv1.WorkOrdersServiceClient
	look    workordersv1.WorkOrdersQueryServiceClient
}

// engines runs a test on both engines.
func engines(t *testing.T, fn func(t *testing.T, s *stage)) {
	t.Helper()
	t.Run("sqlite", func(t *testing.T) {
		fn(t, open(t, storage.Config{Engine: storage.SQLite, Path: filepath.Join(t.TempDir(), "w.db")}))
	})
	t.Run("postgres", func(t *testing.T) {
		fn(t, open(t, storage.Config{Engine: storage.Postgres, DSN: storagetest.FreshDSN(t)}))
	})
}

func open(t testing.TB, cfg storage.Config) *stage {
	t.Helper()
	keys, err := auth.NewKeys(bytes.Repeat([]byte("k"), 32))
	if err != nil {
		t.Fatal(err)
	}
	s := &stage{t: t, clock: clock.NewFake(morning), keys: keys, near: newNeighbours(), proofs: ids.Sequence{Prefix: "proof"}}
	others := s.serve(s.near.register)
	s.service, err = workorders.New(t.Context(), workorders.Config{Storage: cfg}, workorders.Deps{
		Clock: s.clock, IDs: ids.System(), Lister: listing.New(bytes.Repeat([]byte("l"), 32)), Keys: keys, Compliance: others, Performance: others, Consumables: others,
	})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := s.service.Close(); err != nil {
			t.Error(err)
		}
	})
	own := s.serve(s.service.Register)
	s.do, s.look = workordersv1.NewWorkOrdersServiceClient(own), workordersv1.NewWorkOrdersQueryServiceClient(own)
	return s
}

// serve serves what register adds and connects to it.
func (s *stage) serve(register func(r rpc.Registrar)) grpc.ClientConnInterface {
	s.t.Helper()
	server, err := rpc.NewServer(rpc.Deps{Clock: s.clock, IDs: ids.System(), Keys: s.keys, Log: slog.New(slog.DiscardHandler)})
	if err != nil {
		s.t.Fatal(err)
	}
	register(server)
	return rpctest.Dial(s.t, server, rpc.Caller{Keys: s.keys, Clock: s.clock})
}

func identity(who string) auth.Identity {
	return auth.Identity{Account: "accounts/" + who, Person: "people/" + who, Roles: roles[who], Kind: auth.Human}
}

// as is a context in which somebody calls.
func (s *stage) as(who string) context.Context { return auth.NewContext(s.t.Context(), identity(who)) }

// proof is a fresh proof that somebody is at the keyboard.
func (s *stage) proof(who string) string {
	s.t.Helper()
	id := identity(who)
	token, err := s.keys.MintProof(auth.Reauth{Account: id.Account, Person: id.Person, ID: s.proofs.New(), At: s.clock.Now(), Method: "password"})
	if err != nil {
		s.t.Fatal(err)
	}
	return token
}

// must ends the test on an error.
func must[T any](s *stage) func(v T, err error) T {
	return func(v T, err error) T {
		s.t.Helper()
		if err != nil {
			s.t.Fatal(err)
		}
		return v
	}
}

// refused checks that a call was refused for a reason, in a sentence that holds these words.
func (s *stage) refused(err error, reason string, words ...string) {
	s.t.Helper()
	f, ok := fault.As(err)
	if !ok || f.Reason != reason {
		s.t.Fatalf("got %v, want %s", err, reason)
	}
	for _, w := range words {
		if !strings.Contains(f.Message, w) {
			s.t.Errorf("the refusal %q does not say %q", f.Message, w)
		}
	}
}

// count is how many rows of a table there are.
func (s *stage) count(table string) (n int) {
	s.t.Helper()
	err := s.service.DB().View(s.t.Context(), func(ctx context.Context, tx *storage.Tx) error {
		return tx.QueryRow(ctx, "SELECT COUNT(*) FROM "+table).Scan(&n)
	})
	if err != nil {
		s.t.Fatal(err)
	}
	return n
}
