package eventbus_test

import (
	"context"
	"net"
	"testing"

	"coldsection.example/services/platform/eventbus"
)

// An event server listens, says so, and ends when it is told to; an address that is none is refused with one that would do.
func TestAnEventServerListensUntilItIsToldToEnd(t *testing.T) {
	cfg := eventbus.ServerConfig{Name: "events-0", Dir: t.TempDir(), Listen: "127.0.0.1:-1", Cluster: "127.0.0.1:-1", Routes: []string{"127.0.0.1:1"}}
	ctx, end := context.WithCancel(t.Context())
	defer end()
	begun := false
	if err := eventbus.Serve(ctx, cfg, func() { begun = true; end() }); err != nil || !begun {
		t.Errorf("begun %t, %v", begun, err)
	}
	for _, change := range []func(c *eventbus.ServerConfig){
		func(c *eventbus.ServerConfig) { c.Listen = "here" }, func(c *eventbus.ServerConfig) { c.Cluster = net.JoinHostPort("127.0.0.1", "many") },
		func(c *eventbus.ServerConfig) { c.Routes = []string{"127.0.0.1"} },
	} {
		wrong := cfg
		change(&wrong)
		if err := eventbus.Serve(t.Context(), wrong, func() { t.Error("it listens") }); err == nil {
			t.Errorf("%+v is no error", wrong)
		}
	}
}
