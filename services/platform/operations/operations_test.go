package operations_test

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"log/slog"
	"strings"
	"testing"
	"testing/fstest"
	"time"

	"cloud.google.com/go/longrunning/autogen/longrunningpb"
	"google.golang.org/grpc/codes"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/durationpb"
	"google.golang.org/protobuf/types/known/wrapperspb"

	operationsv1 "coldsection.example/proto/coldsection/operations/v1"
	"coldsection.example/services/platform/auth"
	"coldsection.example/services/platform/clock"
	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/ids"
	"coldsection.example/services/platform/listing"
	"coldsection.example/services/platform/operations"
	"coldsection.example/services/platform/rpc"
	"coldsection.example/services/platform/rpc/rpctest"
	"coldsection.example/services/platform/storage"
	"coldsection.example/services/platform/storage/storagetest"
)

var morning = time.Date(2026, time.September, 7, 6, 0, 0, 0, time.UTC)

// schema is a table that takes each line of an operation once.
func schema() storage.Migrations {
	return storage.Portable(fstest.MapFS{"0001_lines.sql": {Data: []byte("-- +goose Up\nCREATE TABLE lines (operation TEXT NOT NULL, line BIGINT NOT NULL, PRIMARY KEY (operation, line));\n")}})
}

// shop is a service whose operations copy the lines of a file into a table; a line "bad" is refused.
type shop struct {
	operationsv1.OperationsServiceClient

	t      *testing.T
	db     *storage.DB
	ops    *operations.Operations
	opened *int
	open   error                                                                                   // what Open answers in place of a job
	work   error                                                                                   // what Work answers once before it works
	after  func(ctx context.Context, tx *storage.Tx, step *operations.Step) (left bool, err error) // Complete; nil is none
}

func newShop(t *testing.T, db *storage.DB) *shop {
	t.Helper()
	keys, err := auth.NewKeys(bytes.Repeat([]byte("k"), 32))
	if err != nil {
		t.Fatal(err)
	}
	now := clock.NewFake(morning)
	s := &shop{t: t, db: db, opened: new(int)}
	s.ops = operations.New(operations.Deps{Part: "shop", DB: db, Clock: now, IDs: ids.System(), Lister: listing.New([]byte("secret"))},
		operations.Kind{Name: "lines.copy", Open: s.copyLines})
	srv, err := rpc.NewServer(rpc.Deps{Clock: now, IDs: ids.System(), Keys: keys, Log: slog.New(slog.DiscardHandler)})
	if err != nil {
		t.Fatal(err)
	}
	s.ops.Register(srv)
	s.OperationsServiceClient = operationsv1.NewOperationsServiceClient(rpctest.Dial(t, srv, rpc.Caller{Keys: keys, Clock: now}))
	return s
}

func (s *shop) copyLines(_ context.Context, in operations.Input) (*operations.Job, error) {
	if *s.opened++; s.open != nil {
		return nil, s.open
	}
	lines := strings.Split(string(in.File), "\n")
	return &operations.Job{
		Rows: len(lines), Result: wrapperspb.Int64(0), Complete: s.after,
		Work: func(ctx context.Context, tx *storage.Tx, step *operations.Step) error {
			taken, _ := step.Result.(*wrapperspb.Int64Value)
			for i := step.From; i < step.To; i++ {
				if lines[i] == "bad" {
					step.Refuse(i+1, "text", "LINE_BAD", "The line is bad. Correct it.")
					continue
				}
				if _, err := tx.Exec(ctx, "INSERT INTO lines (operation, line) VALUES ($1, $2)", in.Name, int64(i)); err != nil {
					return err
				}
				taken.Value++
			}
			err := s.work
			s.work = nil
			return err
		},
	}, nil
}

func as(t *testing.T, account string, roles ...string) context.Context {
	t.Helper()
	return auth.NewContext(t.Context(), auth.Identity{Account: "accounts/" + account, Roles: roles, Kind: auth.Human})
}

// start begins a copy of n lines, of which every seventh hundredth is bad, as anna.
func (s *shop) start(n int) *longrunningpb.Operation {
	s.t.Helper()
	lines := make([]string, n)
	for i := range lines {
		if lines[i] = fmt.Sprint(i); i%700 == 699 {
			lines[i] = "bad"
		}
	}
	var op *longrunningpb.Operation
	err := s.db.Update(as(s.t, "anna", "analyst"), func(ctx context.Context, tx *storage.Tx) (err error) {
		op, err = s.ops.Start(ctx, tx, "lines.copy", wrapperspb.String("demonstration only"), []byte(strings.Join(lines, "\n")))
		return err
	})
	if err != nil {
		s.t.Fatal(err)
	}
	return op
}

// once works one part and says whether there was one.
func (s *shop) once() bool {
	s.t.Helper()
	worked, err := s.ops.Once(s.t.Context())
	if err != nil {
		s.t.Fatal(err)
	}
	return worked
}

func (s *shop) finish() {
	s.t.Helper()
	for s.once() {
	}
}

// kept counts the lines in the table.
func (s *shop) kept() (n int64) {
	s.t.Helper()
	err := s.db.View(s.t.Context(), func(ctx context.Context, tx *storage.Tx) error {
		return tx.QueryRow(ctx, "SELECT count(*) FROM lines").Scan(&n)
	})
	if err != nil {
		s.t.Fatal(err)
	}
	return n
}

// see reads an operation as somebody, with its metadata.
func (s *shop) see(ctx context.Context, name string) (*longrunningpb.Operation, *operationsv1.OperationMetadata) {
	s.t.Helper()
	op, err := s.GetOperation(ctx, &operationsv1.GetOperationRequest{Name: name})
	if err != nil {
		s.t.Fatal(err)
	}
	m := &operationsv1.OperationMetadata{}
	if err := op.GetMetadata().UnmarshalTo(m); err != nil {
		s.t.Fatal(err)
	}
	return op, m
}

func shops(t *testing.T, fn func(t *testing.T, db *storage.DB)) {
	t.Helper()
	storagetest.Engines(t, schema(), fn)
}

// A process that dies after some parts leaves the rest to the next one; every line is taken once, and the bad ones are named.
func TestAnOperationGoesOnWhereTheLastProcessStopped(t *testing.T) {
	shops(t, func(t *testing.T, db *storage.DB) {
		first := newShop(t, db)
		anna, op := as(t, "anna"), first.start(2300)
		if _, m := first.see(anna, op.GetName()); op.GetDone() || m.GetState() != operationsv1.OperationMetadata_QUEUED || m.GetCreator() != "accounts/anna" {
			t.Errorf("at first %v", m)
		}
		first.once()
		first.once()
		got, m := first.see(anna, op.GetName())
		if got.GetDone() || m.GetState() != operationsv1.OperationMetadata_RUNNING || m.GetDoneCount() != 1000 || m.GetRowCount() != 2300 || m.GetRefusedCount() != 1 {
			t.Errorf("under way: %v", m)
		}
		second := newShop(t, db)
		second.finish()
		got, m = second.see(anna, op.GetName())
		taken := &wrapperspb.Int64Value{}
		if err := got.GetResponse().UnmarshalTo(taken); err != nil || taken.GetValue() != 2297 || second.kept() != 2297 || *second.opened != 1 {
			t.Errorf("taken %v of %d, %v, opened %d times", taken, second.kept(), err, *second.opened)
		}
		var lines []int32
		for _, e := range m.GetRowErrors() {
			lines = append(lines, e.GetLine())
		}
		if fmt.Sprint(lines) != "[700 1400 2100]" || m.GetState() != operationsv1.OperationMetadata_SUCCEEDED || !got.GetDone() || m.GetDoneCount() != 2300 {
			t.Errorf("at the end %v, %v", lines, m)
		}
	})
}

// What another instance has in hand is left alone; SQLite has one process and one writer.
func TestTwoInstancesDoNotWorkOnePartTwice(t *testing.T) {
	shops(t, func(t *testing.T, db *storage.DB) {
		if db.Engine() != storage.Postgres {
			t.Skip("two processes can't open one SQLite file")
		}
		here, there := newShop(t, db), newShop(t, db)
		op := here.start(1200)
		err := db.Update(t.Context(), func(ctx context.Context, tx *storage.Tx) error { // as an instance in the middle of a part
			if _, err := tx.Exec(ctx, "SELECT 1 FROM operations WHERE name = $1 FOR UPDATE", op.GetName()); err != nil {
				return err
			}
			if there.once() {
				t.Error("the other instance worked too")
			}
			return nil
		})
		if err != nil {
			t.Fatal(err)
		}
		for worked := true; worked; {
			worked = here.once() || there.once()
		}
		if n := here.kept(); n != 1199 {
			t.Errorf("kept %d", n)
		}
	})
}

func TestCancellingKeepsWhatWasDoneAndSaysSo(t *testing.T) {
	shops(t, func(t *testing.T, db *storage.DB) {
		s := newShop(t, db)
		anna, op := as(t, "anna", "technician"), s.start(2000)
		s.once()
		if _, err := s.CancelOperation(anna, &operationsv1.CancelOperationRequest{Name: op.GetName(), Reason: "wrong file"}); err != nil {
			t.Fatal(err)
		}
		if got, m := s.see(anna, op.GetName()); got.GetDone() || m.GetState() != operationsv1.OperationMetadata_CANCELLING {
			t.Errorf("before the worker saw it: %v", m)
		}
		s.finish()
		got, m := s.see(anna, op.GetName())
		if !got.GetDone() || m.GetState() != operationsv1.OperationMetadata_CANCELLED || s.kept() != 500 || m.GetCanceller() != "accounts/anna" {
			t.Errorf("%d lines, %v", s.kept(), m)
		}
		if e := got.GetError(); e.GetCode() != int32(codes.Canceled) || !strings.Contains(e.GetMessage(), "500 of 2000 rows") || !strings.Contains(e.GetMessage(), "wrong file") {
			t.Errorf("the error says %v", e)
		}
		again, err := s.CancelOperation(anna, &operationsv1.CancelOperationRequest{Name: op.GetName()})
		if err != nil || !proto.Equal(again, got) {
			t.Errorf("the second time %v, %v", again, err)
		}
		queued := s.start(3)
		if got, err := s.CancelOperation(anna, &operationsv1.CancelOperationRequest{Name: queued.GetName()}); err != nil || !got.GetDone() || s.kept() != 500 {
			t.Errorf("one that had not begun: %v, %v", got, err)
		}
	})
}

// Trouble passes; a refusal ends the operation with its reason.
func TestTroubleIsTriedAgainAndARefusalIsTheEnd(t *testing.T) {
	shops(t, func(t *testing.T, db *storage.DB) {
		s := newShop(t, db)
		op := s.start(600)
		s.work = errors.New("the disk coughed")
		if worked, err := s.ops.Once(t.Context()); worked || err == nil || s.kept() != 0 {
			t.Errorf("worked %v, %v, kept %d", worked, err, s.kept())
		}
		next := newShop(t, db) // has no trouble to rest from
		next.finish()
		if got, _ := next.see(as(t, "anna"), op.GetName()); got.GetResponse() == nil || next.kept() != 600 {
			t.Errorf("got %v, kept %d", got, next.kept())
		}
		op = next.start(1)
		next.open = fault.Precondition("ENGINE_UNKNOWN", "No such engine. Add it.")
		if _, err := next.ops.Once(t.Context()); err == nil {
			t.Error("the refusal is silent")
		}
		if got, m := next.see(as(t, "anna"), op.GetName()); got.GetError().GetCode() != int32(codes.FailedPrecondition) || m.GetState() != operationsv1.OperationMetadata_FAILED {
			t.Errorf("got %v", got)
		}
	})
}

func TestOperationsAreSeenByTheirCreatorAndOverseers(t *testing.T) {
	shops(t, func(t *testing.T, db *storage.DB) {
		s := newShop(t, db)
		op := s.start(3)
		ben := as(t, "ben", "analyst", "technician")
		if _, err := s.GetOperation(ben, &operationsv1.GetOperationRequest{Name: op.GetName()}); !fault.HasReason(err, "NOT_FOUND") {
			t.Errorf("a stranger reads it: %v", err)
		}
		if _, err := s.CancelOperation(ben, &operationsv1.CancelOperationRequest{Name: op.GetName()}); !fault.HasReason(err, "NOT_FOUND") {
			t.Errorf("a stranger ends it: %v", err)
		}
		for who, want := range map[string]int{"ben": 0, "anna": 1} {
			got, err := s.ListOperations(as(t, who), &operationsv1.ListOperationsRequest{Filter: `kind = "lines.copy" AND state = QUEUED`})
			if err != nil || len(got.GetOperations()) != want {
				t.Errorf("%s sees %v, %v", who, got, err)
			}
		}
		if got, err := s.ListOperations(as(t, "quinn", "quality"), &operationsv1.ListOperationsRequest{}); err != nil || len(got.GetOperations()) != 1 {
			t.Errorf("quality sees %v, %v", got, err)
		}
		limited := auth.NewContext(t.Context(), auth.Identity{Account: "accounts/gus", Roles: []string{"quality", "admin"}, Kind: auth.Human, Owners: []string{"north"}})
		if got, err := s.ListOperations(limited, &operationsv1.ListOperationsRequest{}); err != nil || len(got.GetOperations()) != 0 {
			t.Errorf("who is limited to owners sees %v, %v", got, err)
		}
		if _, err := s.GetOperation(limited, &operationsv1.GetOperationRequest{Name: op.GetName()}); !fault.HasReason(err, "NOT_FOUND") {
			t.Errorf("who is limited to owners reads another's: %v", err)
		}
	})
}

func TestWaitingEndsWithTheOperationOrTheTime(t *testing.T) {
	shops(t, func(t *testing.T, db *storage.DB) {
		s := newShop(t, db)
		op := s.start(3)
		wait := &operationsv1.WaitOperationRequest{Name: op.GetName(), Timeout: durationpb.New(time.Millisecond)}
		if got, err := s.WaitOperation(as(t, "anna"), wait); err != nil || got.GetDone() {
			t.Errorf("got %v, %v", got, err)
		}
		ctx, stop := context.WithCancel(t.Context())
		ended := make(chan struct{})
		go func() { defer close(ended); s.ops.Run(ctx) }()
		wait.Timeout = nil
		if got, err := s.WaitOperation(as(t, "anna"), wait); err != nil || !got.GetDone() {
			t.Errorf("got %v, %v", got, err)
		}
		stop()
		<-ended
	})
}

func TestOldOperationsAndTheirFilesAreForgotten(t *testing.T) {
	shops(t, func(t *testing.T, db *storage.DB) {
		s := newShop(t, db)
		op := s.start(3)
		s.finish()
		open := s.start(4)
		sweep := func(age time.Duration) {
			err := db.Update(t.Context(), func(ctx context.Context, tx *storage.Tx) error { return operations.Sweep(ctx, tx, morning.Add(age)) })
			if err != nil {
				t.Fatal(err)
			}
		}
		sweep(operations.Keep)
		s.see(as(t, "anna"), op.GetName())
		sweep(operations.Keep + time.Hour)
		if _, err := s.GetOperation(as(t, "anna"), &operationsv1.GetOperationRequest{Name: op.GetName()}); !fault.HasReason(err, "NOT_FOUND") {
			t.Errorf("the old one: %v", err)
		}
		s.finish()
		if got, _ := s.see(as(t, "anna"), open.GetName()); got.GetResponse() == nil {
			t.Errorf("the open one lost its file: %v", got)
		}
	})
}
