package eventbus

import (
	"errors"
	"testing"

	"github.com/nats-io/nats.go/jetstream"
)

// The durability settings are read from the running server and its stream, because an option can be ignored silently.
func TestSettingsOfTheEmbeddedStream(t *testing.T) {
	b, err := Open(t.Context(), Config{Dir: t.TempDir()})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(b.Close)
	if c := b.embedded.current.JetStreamConfig(); c == nil || !c.SyncAlways {
		t.Errorf("the server does not write every fact to the disk before it acknowledges it: %+v", c)
	}
	if b.embedded.current.Addr() != nil {
		t.Errorf("the server listens on %v", b.embedded.current.Addr())
	}
	info, err := b.stream.Info(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	c := info.Config
	if c.Storage != jetstream.FileStorage || !c.DenyDelete || !c.DenyPurge || c.Discard != jetstream.DiscardNew || c.PersistMode != jetstream.DefaultPersistMode {
		t.Errorf("the stream is %+v", c)
	}
	if err := b.js.DeleteStream(t.Context(), "none"); !errors.Is(err, jetstream.ErrStreamNotFound) {
		t.Errorf("got %v", err)
	}
	if err := b.stream.Purge(t.Context()); err == nil {
		t.Error("the stream can be purged")
	}
}
