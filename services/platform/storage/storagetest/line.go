package storagetest

import (
	"net"
	"net/url"
	"sync"
	"testing"
	"time"

	"coldsection.example/services/platform/clock"
)

// Line is a line to PostgreSQL that can be cut and slowed down.
type Line struct {
	DSN string // by way of the line

	server string
	mu     sync.Mutex
	open   map[net.Conn]bool
	cut    int  // the piece from a client at which the line breaks; 0 is none
	passed bool // whether the server has that piece first, and only its answer is lost
	broke  bool
	shut   bool
	slow   time.Duration
}

// NewLine opens a line to a fresh database.
func NewLine(t testing.TB) *Line {
	t.Helper()
	u, err := url.Parse(FreshDSN(t))
	if err != nil {
		t.Fatal(err)
	}
	listener, err := (&net.ListenConfig{}).Listen(t.Context(), "tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	l := &Line{server: u.Host, open: map[net.Conn]bool{}}
	u.Host = listener.Addr().String()
	l.DSN = u.String()
	var carried sync.WaitGroup
	carried.Go(func() {
		for {
			client, err := listener.Accept()
			if err != nil {
				return
			}
			carried.Go(func() { l.carry(client) })
		}
	})
	t.Cleanup(func() {
		_ = listener.Close()
		l.Shut(true)
		carried.Wait()
	})
	return l
}

// CutAt breaks every connection at the n-th piece that clients send from now on, before the server has it or just after.
func (l *Line) CutAt(n int, passed bool) {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.cut, l.passed, l.broke = n, passed, false
}

// Broke says whether the line was cut since CutAt.
func (l *Line) Broke() bool {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.broke
}

// Shut breaks all connections and refuses new ones, as a server that was stopped does; false lets them through again.
func (l *Line) Shut(shut bool) {
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.shut = shut; shut {
		l.hangUp()
	}
}

// Slow holds every answer of the server back for so long.
func (l *Line) Slow(by time.Duration) {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.slow = by
}

func (l *Line) hangUp() {
	for c := range l.open {
		_ = c.Close()
	}
}

func (l *Line) carry(client net.Conn) {
	defer func() { _ = client.Close() }()
	server, err := net.Dial("tcp", l.server)
	if err != nil || !l.begin(client, server) {
		return
	}
	defer l.end(client, server)
	answers := make(chan struct{})
	go func() {
		defer close(answers)
		defer func() { _ = client.Close() }()
		l.copy(client, server, func() bool { l.hold(); return true }, func() bool { return true })
	}()
	l.copy(server, client, func() bool { return l.piece(false) }, func() bool { return l.piece(true) })
	_ = server.Close()
	<-answers
}

func (l *Line) begin(client, server net.Conn) bool {
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.shut {
		_ = server.Close()
		return false
	}
	l.open[client], l.open[server] = true, true
	return true
}

func (l *Line) end(client, server net.Conn) {
	l.mu.Lock()
	defer l.mu.Unlock()
	delete(l.open, client)
	delete(l.open, server)
	_ = server.Close()
}

func (l *Line) copy(to, from net.Conn, before, after func() bool) {
	piece := make([]byte, 64<<10)
	for {
		n, err := from.Read(piece)
		if err != nil || !before() {
			return
		}
		if _, err := to.Write(piece[:n]); err != nil || !after() {
			return
		}
	}
}

// piece counts a piece of a client and says whether the line still stands.
func (l *Line) piece(passed bool) bool {
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.cut == 0 || l.passed != passed {
		return true
	}
	if l.cut--; l.cut > 0 {
		return true
	}
	l.broke = true
	l.hangUp()
	return false
}

func (l *Line) hold() {
	l.mu.Lock()
	by := l.slow
	l.mu.Unlock()
	if by > 0 {
		<-clock.System().After(by)
	}
}
