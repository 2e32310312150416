package harness

import (
	"math/rand/v2"
	"net"
	"strconv"
	"sync/atomic"
	"testing"
)

// Ports are taken below those that the operating system gives to outgoing connections (32768 and up on Linux), in turn
// from a random start, so that an address is not taken again between being found free and being used.
const (
	lowestPort  = 12000
	highestPort = 30000
)

var turn atomic.Int64

func init() { turn.Store(rand.Int64N(highestPort - lowestPort)) } //nolint:gochecknoinits // a random start per test process

// Address is a loopback address that was free a moment ago and that this process gives out once.
func Address(t testing.TB) string {
	t.Helper()
	for range highestPort - lowestPort {
		port := lowestPort + turn.Add(1)%(highestPort-lowestPort)
		l, err := (&net.ListenConfig{}).Listen(t.Context(), "tcp", net.JoinHostPort("127.0.0.1", strconv.FormatInt(port, 10)))
		if err == nil {
			_ = l.Close()
			return l.Addr().String()
		}
	}
	t.Fatal("no port is free")
	return ""
}

// Addresses are several.
func Addresses(t testing.TB, n int) []string {
	t.Helper()
	found := make([]string, n)
	for i := range found {
		found[i] = Address(t)
	}
	return found
}
