package rpc_test

import (
	"errors"
	"log/slog"
	"net"
	"os"
	"testing"
	"time"

	"golang.org/x/net/http2"

	"coldsection.example/services/platform/clock"
	"coldsection.example/services/platform/ids"
	"coldsection.example/services/platform/rpc"
)

// bears serves nothing, with some patience, and returns where.
func bears(t *testing.T, patience rpc.Patience) string {
	t.Helper()
	server, err := rpc.NewServer(rpc.Deps{Clock: clock.System(), IDs: ids.System(), Log: slog.New(slog.DiscardHandler), Patience: patience})
	if err != nil {
		t.Fatal(err)
	}
	listener, err := (&net.ListenConfig{}).Listen(t.Context(), "tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	ended := make(chan error, 1)
	go func() { ended <- server.Serve(listener) }()
	t.Cleanup(func() { server.GRPC().Stop(); <-ended })
	return listener.Addr().String()
}

// peer opens a connection, which says that it speaks HTTP/2 if it greets, and nothing after that.
func peer(t *testing.T, address string, greets bool) *http2.Framer {
	t.Helper()
	conn, err := (&net.Dialer{}).DialContext(t.Context(), "tcp", address)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = conn.Close() })
	if err := conn.SetDeadline(clock.System().Now().Add(time.Minute)); err != nil { // far beyond the patience of these tests
		t.Fatal(err)
	}
	frames := http2.NewFramer(conn, conn)
	if greets {
		if _, err := conn.Write([]byte(http2.ClientPreface)); err != nil {
			t.Fatal(err)
		}
		if err := frames.WriteSettings(); err != nil {
			t.Fatal(err)
		}
	}
	return frames
}

// told reads what the server says until it ends the connection; nothing is answered.
func told(t *testing.T, frames *http2.Framer) (farewell, asked bool) {
	t.Helper()
	for {
		frame, err := frames.ReadFrame()
		if errors.Is(err, os.ErrDeadlineExceeded) {
			t.Fatal("the connection is not ended")
		}
		if err != nil {
			return farewell, asked
		}
		switch f := frame.(type) {
		case *http2.GoAwayFrame:
			farewell = true
		case *http2.PingFrame:
			asked = asked || !f.IsAck()
		default:
		}
	}
}

// Case E21: who opens a connection and says nothing, has no call on it, or is gone without a word does not keep it.
func TestConnectionsThatNobodyUsesEnd(t *testing.T) {
	const short = 50 * time.Millisecond
	t.Run("silent", func(t *testing.T) {
		t.Parallel()
		told(t, peer(t, bears(t, rpc.Patience{Greeting: short}), false))
	})
	t.Run("idle", func(t *testing.T) {
		t.Parallel()
		if farewell, _ := told(t, peer(t, bears(t, rpc.Patience{Idle: short}), true)); !farewell {
			t.Error("a connection without calls ends without a farewell")
		}
	})
	t.Run("gone", func(t *testing.T) { // the library asks for a sign of life after a second at the earliest
		t.Parallel()
		if _, asked := told(t, peer(t, bears(t, rpc.Patience{Silence: short, Answer: short}), true)); !asked {
			t.Error("a peer that is gone was not asked for a sign of life")
		}
	})
}

// Case E21: a peer that asks for signs of life again and again is sent away.
func TestPingsWithoutEndEndTheConnection(t *testing.T) {
	frames := peer(t, bears(t, rpc.Patience{}), true)
	go func() {
		for asked := true; asked; {
			asked = frames.WritePing(false, [8]byte{1}) == nil
		}
	}()
	told(t, frames)
}
