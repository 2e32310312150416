// Package rpctest serves servers in memory for tests.
package rpctest

import (
	"context"
	"errors"
	"testing"
	"time"

	"google.golang.org/grpc"

	"coldsection.example/services/platform/rpc"
)

// stopLimit is how long calls under way may take at the end of a test.
const stopLimit = time.Second

// Serve serves in memory until the end of the test; an error of serving fails the test.
func Serve(t testing.TB, server *rpc.Server) {
	t.Helper()
	done := make(chan error, 1)
	go func() { done <- server.ServeMemory() }()
	t.Cleanup(func() {
		ctx, cancel := context.WithTimeout(context.WithoutCancel(t.Context()), stopLimit)
		defer cancel()
		server.Stop(ctx)
		if err := <-done; err != nil && !errors.Is(err, grpc.ErrServerStopped) { // stopped before it began
			t.Error(err)
		}
	})
}

// Dial serves in memory and connects a caller to it, both until the end of the test.
func Dial(t testing.TB, server *rpc.Server, caller rpc.Caller) *grpc.ClientConn {
	t.Helper()
	Serve(t, server)
	conn, err := caller.DialMemory(server)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = conn.Close() })
	return conn
}
