package limits

import (
	"cmp"
	"net"
	"sync"
	"syscall"
	"time"

	"coldsection.example/services/platform/clock"
	"coldsection.example/services/platform/wire"
)

// Connections bounds what listeners accept. Connections beyond it are closed at once: each costs a file and memory before it said anything.
type Connections struct {
	OfAddress int // 0 is no limit
	All       int // 0 is half the files that the process may open; the rest is for what it keeps and whom it calls
	Proxies   Proxies
	// DeadAfter is how long a peer may leave what was sent to it unanswered before its connection ends; 0 is a minute.
	DeadAfter time.Duration

	mu      sync.Mutex
	open    map[string]*held     // by the peer's address and port
	shunned map[string]time.Time // until when an address is sent away
}

// shunFor is how long an address is sent away that flooded.
const shunFor = 5 * time.Second

// Listen bounds a listener.
func (c *Connections) Listen(l net.Listener) net.Listener {
	b := &bounded{Listener: l, limits: c, all: newOpen(c.All, nil)}
	if c.All == 0 {
		b.all = newOpen(halfOfFiles(), nil)
	}
	if c.OfAddress > 0 {
		b.addresses = newOpen(c.OfAddress, nil)
	}
	return b
}

// Expel ends the connection of a peer that floods, and sends its address away for a while; a proxy's is let in again, since others come by it.
func (c *Connections) Expel(peer string) {
	c.mu.Lock()
	defer c.mu.Unlock()
	if !c.Proxies.speaks(peer) {
		now := clock.System().Now()
		for from, until := range c.shunned {
			if now.After(until) {
				delete(c.shunned, from)
			}
		}
		if c.shunned == nil {
			c.shunned = map[string]time.Time{}
		}
		c.shunned[Proxies(nil).Caller(peer, nil)] = now.Add(shunFor)
	}
	if h := c.open[peer]; h != nil {
		go func() { _ = h.Close() }() // who asks holds the connection's own lock
	}
}

// welcome says whether a peer's address is not sent away.
func (c *Connections) welcome(peer string) bool {
	c.mu.Lock()
	defer c.mu.Unlock()
	if len(c.shunned) == 0 {
		return true
	}
	until, shunned := c.shunned[Proxies(nil).Caller(peer, nil)]
	return !shunned || clock.System().Now().After(until)
}

func (c *Connections) begun(peer string, h *held) {
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.open == nil {
		c.open = map[string]*held{}
	}
	c.open[peer] = h
}

func (c *Connections) ended(peer string, h *held) {
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.open[peer] == h {
		delete(c.open, peer)
	}
}

// halfOfFiles is half of what the process may open.
func halfOfFiles() int {
	var files syscall.Rlimit
	if syscall.Getrlimit(syscall.RLIMIT_NOFILE, &files) != nil {
		return 512 // half of what systems give a process that says nothing; common practice, no source
	}
	return int(min(files.Cur, 1<<20) / 2)
}

type bounded struct {
	net.Listener

	limits         *Connections
	addresses, all *Open // addresses is nil without a limit
}

// Accept waits for a connection that is within the limits.
func (b *bounded) Accept() (net.Conn, error) {
	for {
		conn, err := b.Listener.Accept()
		if err != nil {
			return nil, err
		}
		peer := conn.RemoteAddr().String()
		if leave, ok := b.enter(peer); ok {
			_ = wire.Watch(conn, cmp.Or(b.limits.DeadAfter, time.Minute)) // one that can't be watched is served all the same
			h := &held{Conn: conn}
			h.leave = func() { leave(); b.limits.ended(peer, h) }
			b.limits.begun(peer, h)
			return h, nil
		}
		_ = conn.Close()
	}
}

// enter takes a place, and says how it is left.
func (b *bounded) enter(connection string) (leave func(), ok bool) {
	const everybody = ""
	if !b.limits.welcome(connection) {
		return nil, false
	}
	if !b.all.take(everybody) {
		return nil, false
	}
	if b.addresses == nil || b.limits.Proxies.speaks(connection) {
		return func() { b.all.leave(everybody) }, true
	}
	from := Proxies(nil).Caller(connection, nil)
	if !b.addresses.take(from) {
		b.all.leave(everybody)
		return nil, false
	}
	return func() { b.all.leave(everybody); b.addresses.leave(from) }, true
}

// held is a connection that has a place.
type held struct {
	net.Conn

	once  sync.Once
	leave func()
}

// Close gives the place back.
func (h *held) Close() error {
	err := h.Conn.Close()
	h.once.Do(h.leave)
	return err
}
