package limits_test

import (
	"errors"
	"io"
	"net"
	"net/netip"
	"os"
	"testing"
	"time"

	"coldsection.example/gateway/internal/limits"
	"coldsection.example/services/platform/clock"
)

// hall listens within limits and keeps what it accepts.
type hall struct {
	t       *testing.T
	address string
	inside  chan net.Conn
}

func open(t *testing.T, bounds *limits.Connections) hall {
	t.Helper()
	raw, err := (&net.ListenConfig{}).Listen(t.Context(), "tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	h, listener := hall{t, raw.Addr().String(), make(chan net.Conn, 100)}, bounds.Listen(raw)
	ended := make(chan struct{})
	go func() {
		defer close(ended)
		for {
			conn, err := listener.Accept()
			if err != nil {
				return
			}
			h.inside <- conn
		}
	}()
	t.Cleanup(func() { _ = raw.Close(); <-ended })
	return h
}

// from connects from a loopback address.
func (h hall) from(last byte) net.Conn {
	h.t.Helper()
	dialer := net.Dialer{LocalAddr: &net.TCPAddr{IP: net.IPv4(127, 0, 0, last)}}
	conn, err := dialer.DialContext(h.t.Context(), "tcp", h.address)
	if err != nil {
		h.t.Fatal(err)
	}
	h.t.Cleanup(func() { _ = conn.Close() })
	return conn
}

// sentAway waits until a connection is ended by the other side.
func sentAway(t *testing.T, conn net.Conn) {
	t.Helper()
	if err := conn.SetReadDeadline(clock.System().Now().Add(time.Minute)); err != nil {
		t.Fatal(err)
	}
	if _, err := conn.Read(make([]byte, 1)); err == nil || errors.Is(err, os.ErrDeadlineExceeded) {
		t.Errorf("it is not sent away: %v", err)
	}
}

// accepted waits until the hall lets a connection in.
func (h hall) accepted() net.Conn {
	h.t.Helper()
	select {
	case conn := <-h.inside:
		return conn
	case <-clock.System().After(time.Minute):
		h.t.Fatal("nobody is let in")
		return nil
	}
}

// An address has so many connections and no more; others are let in all the same, and a place that is left is free.
func TestAnAddressHasSoManyConnections(t *testing.T) {
	h := open(t, &limits.Connections{OfAddress: 2})
	first, _ := h.from(2), h.from(2)
	inside, _ := h.accepted(), h.accepted()
	sentAway(t, h.from(2))
	h.from(3)
	_ = h.accepted()
	_ = first.Close()
	if _, err := inside.Read(make([]byte, 1)); !errors.Is(err, io.EOF) {
		t.Fatal(err)
	}
	_, _ = inside.Close(), inside.Close() // twice gives one place back
	h.from(2)
	_ = h.accepted()
	sentAway(t, h.from(2))
}

// All have so many together, and proxies are not counted by address.
func TestAllHaveSoManyConnections(t *testing.T) {
	h := open(t, &limits.Connections{OfAddress: 1, All: 3, Proxies: limits.Proxies{netip.MustParsePrefix("127.0.0.9/32")}})
	for range 3 {
		h.from(9)
		_ = h.accepted()
	}
	sentAway(t, h.from(2))
}

// Who is expelled loses the connection, and is sent away when it comes again; others are not, and neither is a proxy.
func TestWhoFloodsIsSentAway(t *testing.T) {
	bounds := &limits.Connections{Proxies: limits.Proxies{netip.MustParsePrefix("127.0.0.9/32")}}
	h := open(t, bounds)
	for _, last := range []byte{2, 9} {
		conn := h.from(last)
		bounds.Expel(h.accepted().RemoteAddr().String())
		sentAway(t, conn)
	}
	sentAway(t, h.from(2))
	h.from(9)
	_ = h.accepted()
	h.from(3)
	_ = h.accepted()
}
