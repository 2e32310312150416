package rpc_test

import (
	"context"
	"errors"
	"testing"

	"google.golang.org/grpc/metadata"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"

	consumablesv1 "coldsection.example/proto/coldsection/consumables/v1"
	"coldsection.example/services/platform/auth"
	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/rpc"
)

type secretKey struct{}

// A handler sees the same caller, metadata and deadline, and its caller the same answer, whether the call was made in memory or over the network;
// nothing else of the caller's context goes along.
func TestACallInMemoryIsACallOverTheNetwork(t *testing.T) {
	for name, get := range map[string]func(context.Context) (*consumablesv1.Item, error){
		"who calls": func(ctx context.Context) (*consumablesv1.Item, error) {
			id, _ := auth.FromContext(ctx)
			return &consumablesv1.Item{Name: id.Account, DisplayName: id.Person}, nil
		},
		"metadata": func(ctx context.Context) (*consumablesv1.Item, error) {
			md, _ := metadata.FromIncomingContext(ctx)
			return &consumablesv1.Item{Name: md.Get("idempotency-key")[0]}, nil
		},
		"a deadline": func(ctx context.Context) (*consumablesv1.Item, error) {
			_, ok := ctx.Deadline()
			return &consumablesv1.Item{ReadyToUse: ok}, nil
		},
		"nothing else": func(ctx context.Context) (*consumablesv1.Item, error) {
			return &consumablesv1.Item{ReadyToUse: ctx.Value(secretKey{}) != nil}, nil
		},
		"a refusal": func(context.Context) (*consumablesv1.Item, error) {
			return nil, fault.Invalid("name", "SOME_REASON", "It is wrong. Correct it.").With("name", "items/a")
		},
		"an error": func(context.Context) (*consumablesv1.Item, error) { return nil, errors.New("broken") },
	} {
		t.Run(name, func(t *testing.T) {
			f := serve(t, get)
			ask := func(f fixture) (*consumablesv1.Item, error) {
				ctx, items := f.items(t, "stores")
				ctx = metadata.AppendToOutgoingContext(context.WithValue(ctx, secretKey{}, true), "idempotency-key", "k-1")
				return items.GetItem(ctx, &consumablesv1.GetItemRequest{Name: "items/a"})
			}
			near, nearErr := ask(f)
			far, farErr := ask(f.overNetwork(t))
			if !proto.Equal(near, far) || status.Convert(rpc.ToStatus(nearErr)).String() != status.Convert(rpc.ToStatus(farErr)).String() {
				t.Errorf("in memory %v, %v; over the network %v, %v", near, nearErr, far, farErr)
			}
			if name == "nothing else" && near.GetReadyToUse() {
				t.Error("a value of the caller's context went along")
			}
		})
	}
}

// Caller and handler have messages of their own: what one changes afterwards the other does not see.
func TestMessagesAreCopied(t *testing.T) {
	kept := &consumablesv1.Item{Name: "items/a", DisplayName: "as it was"}
	f := serve(t, func(context.Context) (*consumablesv1.Item, error) { return kept, nil })
	ctx, items := f.items(t, "stores")
	got, err := items.GetItem(ctx, &consumablesv1.GetItemRequest{Name: "items/a"})
	if err != nil {
		t.Fatal(err)
	}
	got.DisplayName = "changed"
	if kept.GetDisplayName() != "as it was" {
		t.Error("the caller changed what the handler keeps")
	}
}

// Stop waits for calls in memory, cuts them off when its time ends, and lets none in after that.
func TestStopEndsCallsInMemory(t *testing.T) {
	begun, proceed := make(chan struct{}, 2), make(chan struct{})
	f := serve(t, func(ctx context.Context) (*consumablesv1.Item, error) {
		begun <- struct{}{}
		select {
		case <-proceed:
			return item()
		case <-ctx.Done():
			return nil, ctx.Err()
		}
	})
	ctx, items := f.items(t, "stores")
	ask := func() <-chan error {
		done := make(chan error, 1)
		go func() {
			_, err := items.GetItem(ctx, &consumablesv1.GetItemRequest{Name: "items/a"})
			done <- err
		}()
		<-begun
		return done
	}
	first := ask()
	stopped := make(chan struct{})
	go func() { f.server.Stop(t.Context()); close(stopped) }()
	select {
	case <-stopped:
		t.Fatal("it stopped while a call was under way")
	case proceed <- struct{}{}:
	}
	if err := <-first; err != nil {
		t.Errorf("the call under way: %v", err)
	}
	<-stopped
	if _, err := items.GetItem(ctx, &consumablesv1.GetItemRequest{Name: "items/a"}); !fault.HasReason(err, "SERVICE_UNREACHABLE") {
		t.Errorf("a call after the end: %v", err)
	}
}

// A call that does not end is cut off when Stop has no more time.
func TestStopCutsCallsInMemoryOff(t *testing.T) {
	begun := make(chan struct{})
	f := serve(t, func(ctx context.Context) (*consumablesv1.Item, error) {
		close(begun)
		<-ctx.Done()
		return nil, ctx.Err()
	})
	ctx, items := f.items(t, "stores")
	done := make(chan error, 1)
	go func() {
		_, err := items.GetItem(ctx, &consumablesv1.GetItemRequest{Name: "items/a"})
		done <- err
	}()
	<-begun
	over, end := context.WithCancel(t.Context())
	end()
	f.server.Stop(over)
	if err := <-done; !fault.HasReason(err, "CALL_CANCELED") {
		t.Errorf("got %v", err)
	}
}
