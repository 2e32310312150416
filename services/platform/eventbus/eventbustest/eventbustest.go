// Package eventbustest opens event streams for tests.
package eventbustest

import (
	"testing"

	"coldsection.example/services/platform/eventbus"
)

// Embedded opens an embedded stream in a temporary folder and closes it at the end of the test.
func Embedded(t testing.TB) *eventbus.Bus {
	t.Helper()
	return Open(t, t.TempDir())
}

// Open opens an embedded stream in this folder and closes it at the end of the test.
func Open(t testing.TB, dir string) *eventbus.Bus {
	t.Helper()
	bus, err := eventbus.Open(t.Context(), eventbus.Config{Dir: dir})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(bus.Close)
	return bus
}
