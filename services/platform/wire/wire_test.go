package wire_test

import (
	"net"
	"testing"
	"time"

	"golang.org/x/sys/unix"

	"coldsection.example/services/platform/wire"
)

// option reads what the system keeps of a connection.
func option(t *testing.T, conn net.Conn, level, name int) (value int) {
	t.Helper()
	raw, err := conn.(*net.TCPConn).SyscallConn()
	if err != nil {
		t.Fatal(err)
	}
	if failed := raw.Control(func(fd uintptr) { value, err = unix.GetsockoptInt(int(fd), level, name) }); failed != nil || err != nil {
		t.Fatal(failed, err)
	}
	return value
}

// The system has what was asked for: no test can take the power of the peer's machine, whose system answers for a program that is gone.
func TestTheSystemWatchesAConnection(t *testing.T) {
	listener, err := (&net.ListenConfig{}).Listen(t.Context(), "tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = listener.Close() }()
	conn, err := (&net.Dialer{}).DialContext(t.Context(), "tcp", listener.Addr().String())
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = conn.Close() }()
	if err := wire.Watch(conn, 20*time.Second); err != nil {
		t.Fatal(err)
	}
	for name, o := range map[string]struct{ level, name, want int }{
		"unanswered, ms":           {unix.IPPROTO_TCP, unix.TCP_USER_TIMEOUT, 20_000},
		"signs of life":            {unix.SOL_SOCKET, unix.SO_KEEPALIVE, 1},
		"idle before the first, s": {unix.IPPROTO_TCP, unix.TCP_KEEPIDLE, 5},
		"between two, s":           {unix.IPPROTO_TCP, unix.TCP_KEEPINTVL, 5},
		"missed":                   {unix.IPPROTO_TCP, unix.TCP_KEEPCNT, 3},
	} {
		if got := option(t, conn, o.level, o.name); got != o.want {
			t.Errorf("%s: %d, want %d", name, got, o.want)
		}
	}
}

// What is no connection over TCP is left alone.
func TestConnectionsWithinTheMachineAreLeftAlone(t *testing.T) {
	one, other := net.Pipe()
	defer func() { _, _ = one.Close(), other.Close() }()
	if err := wire.Watch(one, time.Second); err != nil {
		t.Error(err)
	}
}
