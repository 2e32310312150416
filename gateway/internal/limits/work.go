package limits

import (
	"context"
	"errors"
	"sync"

	"google.golang.org/grpc"
	"google.golang.org/grpc/peer"
	"google.golang.org/grpc/stats"
	"google.golang.org/grpc/tap"

	"coldsection.example/services/platform/clock"
	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/ids"
	"coldsection.example/services/platform/rpc"
)

// Work bounds the calls over gRPC from one address that are being worked on. A call that its caller takes back, or whose connection ends, is worked on
// until its handler notices; whoever opens calls and takes them back at once could else have any number of handlers, whatever a connection may
// have open. Calls beyond the limit are refused before there is a handler.
type Work struct {
	Calls   *Open
	Proxies Proxies
	// Known says whether there is such a method; calls of others have no end that could be told, and are refused before they are counted.
	Known func(method string) bool
	// Expel is told the peer of a connection that floods: again and again it sends calls beyond its limit, or takes calls back before they were begun.
	Expel func(peer string)
	// IDs name the requests that are refused and whose callers did not name them.
	IDs ids.Source

	strikes *Limiter
	// full and unknown are what refused calls are told, made once, beside the name of each request.
	full, unknown error
}

// MostStreamsOfConnection is how many calls one connection from outside may have open at once.
const MostStreamsOfConnection = 250

// Options are those of a server whose calls are counted.
func (w *Work) Options() []grpc.ServerOption {
	options := []grpc.ServerOption{grpc.MaxConcurrentStreams(MostStreamsOfConnection)}
	if w.Calls == nil {
		return options
	}
	w.strikes = New(clock.System(), strikesPerSecond)
	w.full = rpc.ToStatus(w.Calls.refuse(""))
	w.unknown = rpc.ToStatus(fault.New(fault.Unimplemented, "CALL_UNKNOWN", "There is no such method. Correct its name; /reference lists every one."))
	return append(options, grpc.InTapHandle(w.arrive), grpc.StatsHandler(w))
}

// arrive is asked before a call has a handler.
func (w *Work) arrive(ctx context.Context, info *tap.Info) (context.Context, error) {
	p, ok := peer.FromContext(ctx)
	if !ok {
		return ctx, w.refuse(info, w.unknown)
	}
	connection := p.Addr.String()
	from := w.Proxies.Caller(connection, info.Header.Get("x-forwarded-for"))
	switch {
	case !w.Known(info.FullMethodName):
		w.strike(connection)
		return ctx, w.refuse(info, w.unknown)
	case !w.Calls.take(from):
		w.strike(connection)
		return ctx, w.refuse(info, w.full)
	default:
		return &counted{Context: ctx, calls: w.Calls, connection: connection, from: from, state: arrived}, nil
	}
}

// refuse tells a caller the name of its request with why it is refused.
func (w *Work) refuse(info *tap.Info, why error) error {
	asked := ""
	if named := info.Header.Get(rpc.RequestIDKey); len(named) > 0 {
		asked = named[0]
	}
	return rpc.WithRequest(why, rpc.NameRequest(asked, w.IDs))
}

// strikesPerSecond is how many calls of one address may be refused before they begin, or taken back, in a second, and five times as many at once.
const strikesPerSecond = 100

// strike counts a call that was for nothing: for the address, or for the connection where others come by the same proxy.
func (w *Work) strike(connection string) {
	by := connection
	if !w.Proxies.speaks(connection) {
		by = Proxies(nil).Caller(connection, nil)
	}
	if w.strikes.Take(context.Background(), by) != nil {
		w.Expel(connection)
	}
}

// The states of a call that is counted.
const (
	arrived  = iota // counted, and its handler has not begun
	working         // counted, and its handler has begun
	released        // not counted any more
)

// counted is the context of a call that is counted.
type counted struct {
	context.Context

	calls            *Open
	connection, from string // the peer, and on whose behalf it calls

	mu    sync.Mutex
	state int
}

// countedKey finds the counted context below others.
type countedKey struct{}

// Value finds the context itself.
func (c *counted) Value(key any) any {
	if key == (countedKey{}) {
		return c
	}
	return c.Context.Value(key)
}

// Err is asked by the server when the call has arrived: one whose time is over by then never gets a handler, and is released.
func (c *counted) Err() error {
	err := c.Context.Err()
	if err != nil {
		c.move(arrived, released)
	}
	return err
}

// begin counts a call again that was asked for its error between its arrival and its handler.
func (c *counted) begin() {
	if c.move(arrived, working) {
		return
	}
	if c.calls.take(c.from) {
		c.mu.Lock()
		defer c.mu.Unlock()
		c.state = working
	}
}

func (c *counted) end() { c.move(working, released) }

// move goes from one state to the next, and gives back what is counted when the call is released; false when it was in another state.
func (c *counted) move(from, to int) bool {
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.state != from {
		return false
	}
	if c.state = to; to == released {
		c.calls.leave(c.from)
	}
	return true
}

func of(ctx context.Context) *counted {
	c, _ := ctx.Value(countedKey{}).(*counted)
	return c
}

// TagRPC is told when the handler of a call begins.
func (w *Work) TagRPC(ctx context.Context, _ *stats.RPCTagInfo) context.Context {
	if c := of(ctx); c != nil {
		c.begin()
		if errors.Is(ctx.Err(), context.Canceled) {
			w.strike(c.connection)
		}
	}
	return ctx
}

// HandleRPC is told when the handler of a call has ended.
func (*Work) HandleRPC(ctx context.Context, s stats.RPCStats) {
	if _, ended := s.(*stats.End); !ended {
		return
	}
	if c := of(ctx); c != nil {
		c.end()
	}
}

// TagConn has nothing to say of connections.
func (*Work) TagConn(ctx context.Context, _ *stats.ConnTagInfo) context.Context { return ctx }

// HandleConn has nothing to say of connections.
func (*Work) HandleConn(context.Context, stats.ConnStats) {}
