package harness

import (
	"errors"
	"net"
	"sync"
	"testing"
	"time"

	"coldsection.example/services/platform/clock"
)

// Wire is a network between a client and a server that can fail: cut, swallow what one side or both send, or take its time.
type Wire struct {
	Address string // where the client connects to

	target   string
	listener net.Listener

	mu       sync.Mutex
	changed  chan struct{} // closed when what follows changes
	cut      bool
	swallows [2]bool // what the client sends, what the server sends
	delay    time.Duration
	cutAfter int // so many more pieces of the client go through; negative for no end
	open     map[net.Conn]bool
}

// The two directions.
const (
	ToServer = 0
	ToClient = 1
)

// NewWire lays a wire to a server's address; it works until it is told otherwise.
func NewWire(t testing.TB, target string) *Wire {
	t.Helper()
	listener, err := (&net.ListenConfig{}).Listen(t.Context(), "tcp", Address(t))
	if err != nil {
		t.Fatal(err)
	}
	w := &Wire{Address: listener.Addr().String(), target: target, listener: listener, changed: make(chan struct{}), cutAfter: -1, open: map[net.Conn]bool{}}
	var running sync.WaitGroup
	running.Go(func() {
		for {
			client, err := listener.Accept()
			if errors.Is(err, net.ErrClosed) {
				return
			}
			if err == nil {
				running.Go(func() { w.join(client) })
			}
		}
	})
	t.Cleanup(func() {
		_ = listener.Close()
		w.Cut()
		running.Wait()
	})
	return w
}

// set changes what the wire does, and wakes what waits on it.
func (w *Wire) set(change func()) {
	w.mu.Lock()
	defer w.mu.Unlock()
	change()
	close(w.changed)
	w.changed = make(chan struct{})
}

// Cut ends every connection and refuses new ones, as a server does that is gone from its machine.
func (w *Wire) Cut() { w.set(w.cutNow) }

func (w *Wire) cutNow() {
	w.cut = true
	for conn := range w.open {
		_ = conn.Close()
	}
}

// CutAfter cuts the wire when the client sent so many more pieces; the last of them arrives, and nothing comes back for it.
func (w *Wire) CutAfter(pieces int) { w.set(func() { w.cutAfter = pieces }) }

// Swallow lets what is sent in some directions vanish, as a network does that drops it: nobody is told.
func (w *Wire) Swallow(directions ...int) {
	w.set(func() {
		for _, d := range directions {
			w.swallows[d] = true
		}
	})
}

// Slow lets every piece take so long in each direction.
func (w *Wire) Slow(delay time.Duration) { w.set(func() { w.delay = delay }) }

// Heal makes the wire work again. What was swallowed on a connection is lost for it, as after a network's own patience, so such connections end.
func (w *Wire) Heal() {
	w.set(func() {
		if w.swallows != [2]bool{} {
			for conn := range w.open {
				_ = conn.Close()
			}
		}
		w.cut, w.swallows, w.delay, w.cutAfter = false, [2]bool{}, 0, -1
	})
}

// join carries a connection until one side ends it or the wire is cut.
func (w *Wire) join(client net.Conn) {
	defer func() { _ = client.Close() }()
	server, err := net.DialTimeout("tcp", w.target, 10*time.Second)
	if err != nil {
		return
	}
	defer func() { _ = server.Close() }()
	w.mu.Lock()
	gone := w.cut
	w.open[client], w.open[server] = true, true
	w.mu.Unlock()
	if !gone {
		var carrying sync.WaitGroup
		carrying.Go(func() { w.carry(client, server, ToServer) })
		carrying.Go(func() { w.carry(server, client, ToClient) })
		carrying.Wait()
	}
	w.mu.Lock()
	defer w.mu.Unlock()
	delete(w.open, client)
	delete(w.open, server)
}

// carry takes what one side sends to the other, piece by piece.
func (w *Wire) carry(from, to net.Conn, direction int) {
	defer func() { _, _ = from.Close(), to.Close() }()
	piece := make([]byte, 32<<10)
	for {
		n, err := from.Read(piece)
		if err != nil || !w.pass() {
			return
		}
		if w.swallowed(direction) {
			continue
		}
		if _, err := to.Write(piece[:n]); err != nil {
			return
		}
		w.sent(direction)
	}
}

// pass waits until a piece may go on; false when the wire was cut.
func (w *Wire) pass() bool {
	w.mu.Lock()
	delay, changed, cut := w.delay, w.changed, w.cut
	w.mu.Unlock()
	if cut || delay == 0 {
		return !cut
	}
	select {
	case <-clock.System().After(delay):
	case <-changed:
	}
	return true
}

func (w *Wire) swallowed(direction int) bool {
	w.mu.Lock()
	defer w.mu.Unlock()
	return w.swallows[direction]
}

// sent counts a piece towards the cut that was asked for.
func (w *Wire) sent(direction int) {
	w.mu.Lock()
	defer w.mu.Unlock()
	if direction != ToServer || w.cutAfter < 0 {
		return
	}
	if w.cutAfter--; w.cutAfter <= 0 {
		w.cutAfter = -1
		w.cutNow()
	}
}
