package rest

import (
	"errors"
	"io"
	"net/http"
	"time"

	"coldsection.example/services/platform/clock"
	"coldsection.example/services/platform/fault"
)

// BodyLimits are how long a body may take. Zero values are the defaults.
type BodyLimits struct {
	Pause time.Duration // between two pieces of it; 0 means 20 s
	Whole time.Duration // from its first to its last byte; 0 means 10 min, which is 16 MiB over a line of 224 kbit/s
}

// The defaults.
const (
	defaultPause = 20 * time.Second
	defaultWhole = 10 * time.Minute
)

// Steady gives up a request whose body comes too slowly, so that nobody holds a connection and a handler with a byte now and then.
func Steady(next http.Handler, limits BodyLimits) http.Handler {
	if limits.Pause == 0 {
		limits.Pause = defaultPause
	}
	if limits.Whole == 0 {
		limits.Whole = defaultWhole
	}
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if r.Body != nil && r.Body != http.NoBody {
			r.Body = &steadyBody{ReadCloser: r.Body, wire: http.NewResponseController(w), pause: limits.Pause, end: clock.System().Now().Add(limits.Whole)}
		}
		next.ServeHTTP(w, r)
	})
}

// steadyBody is read against the clock of the machine, as deadlines of connections are.
type steadyBody struct {
	io.ReadCloser

	wire  *http.ResponseController
	pause time.Duration
	end   time.Time
}

// Read reads a piece, and lifts the limit after the last one: what follows on the connection has limits of its own.
func (b *steadyBody) Read(into []byte) (int, error) {
	at := clock.System().Now().Add(b.pause)
	if b.end.Before(at) {
		at = b.end
	}
	_ = b.wire.SetReadDeadline(at) // a writer that has none is that of a test
	n, err := b.ReadCloser.Read(into)
	if errors.Is(err, io.EOF) { // after any other error the server reads the rest, and the limit holds for that too
		_ = b.wire.SetReadDeadline(time.Time{})
	}
	return n, err
}

// TooSlow says that a body came too slowly. Reason: REQUEST_TOO_SLOW.
func TooSlow(cause error) error {
	return fault.New(fault.DeadlineExceeded, "REQUEST_TOO_SLOW", "The body came too slowly, and nothing was done. Send it again over a better line, or in smaller parts.").Because(cause)
}
