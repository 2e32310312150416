// Package rpctest ends servers with their tests.
package rpctest

import (
	"context"
	"testing"
	"time"

	"google.golang.org/grpc"

	"coldsection.example/services/platform/rpc"
)

// stopLimit is how long calls under way may take at the end of a test.
const stopLimit = time.Second

// Serve takes calls from this process until the end of the test; a server that may not serve fails the test.
func Serve(t testing.TB, server *rpc.Server) {
	t.Helper()
	if err := server.Check(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		ctx, cancel := context.WithTimeout(context.WithoutCancel(t.Context()), stopLimit)
		defer cancel()
		server.Stop(ctx)
	})
}

// Dial serves until the end of the test and connects a caller.
func Dial(t testing.TB, server *rpc.Server, caller rpc.Caller) grpc.ClientConnInterface {
	t.Helper()
	Serve(t, server)
	return &Doubting{ClientConnInterface: caller.Memory(server), T: t}
}
