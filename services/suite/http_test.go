package suite_test

import (
	"bufio"
	"fmt"
	"io"
	"net"
	"net/http"
	"strings"
	"testing"
	"time"

	"coldsection.example/services/platform/clock"
	"coldsection.example/services/suite"
)

// served serves hello within limits and returns where.
func served(t *testing.T, limits suite.HTTPLimits) string {
	t.Helper()
	listener, err := (&net.ListenConfig{}).Listen(t.Context(), "tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	server := suite.Server(limits, http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) { _, _ = fmt.Fprint(w, "hello") }))
	ended := make(chan error, 1)
	go func() { ended <- server.Serve(listener) }()
	t.Cleanup(func() { _ = server.Close(); <-ended })
	return listener.Addr().String()
}

// say opens a connection and sends something.
func say(t *testing.T, address, text string) *bufio.Reader {
	t.Helper()
	conn, err := (&net.Dialer{}).DialContext(t.Context(), "tcp", address)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = conn.Close() })
	if _, err := io.WriteString(conn, text); err != nil {
		t.Fatal(err)
	}
	if err := conn.SetReadDeadline(clock.System().Now().Add(time.Minute)); err != nil { // far beyond every limit below: a connection that is not ended fails the test
		t.Fatal(err)
	}
	return bufio.NewReader(conn)
}

// answered reads an answer.
func answered(t *testing.T, what string, from *bufio.Reader, want int) {
	t.Helper()
	answer, err := http.ReadResponse(from, nil)
	if err != nil {
		t.Fatalf("%s: %v", what, err)
	}
	defer func() { _ = answer.Body.Close() }()
	if _, err := io.Copy(io.Discard, answer.Body); err != nil || answer.StatusCode != want {
		t.Errorf("%s: %s %v", what, answer.Status, err)
	}
}

// ended waits until the server ends a connection.
func ended(t *testing.T, what string, rest io.Reader) {
	t.Helper()
	if _, err := io.ReadAll(rest); err != nil && strings.Contains(err.Error(), "timeout") {
		t.Errorf("%s: the connection is not ended", what)
	}
}

// Case E21: heads that never end, connections that say nothing and ones that rest too long are ended; a head that is too long is refused in words.
func TestConnectionsOverHTTPHaveLimits(t *testing.T) {
	address := served(t, suite.HTTPLimits{Head: 50 * time.Millisecond, Rest: 50 * time.Millisecond, Size: 4096})
	silent := say(t, address, "")
	ended(t, "silence", silent)
	slow := say(t, address, "GET / HTTP/1.1\r\nHost: x\r\nX-Slow: ")
	ended(t, "a head that does not end", slow)
	rests := say(t, address, "GET / HTTP/1.1\r\nHost: x\r\n\r\n")
	answered(t, "a request", rests, http.StatusOK)
	ended(t, "a rest after an answer", rests)
	long := say(t, address, "GET / HTTP/1.1\r\nHost: x\r\nX-Long: "+strings.Repeat("a", 16<<10))
	answered(t, "a head of 16 KiB where 4 are let in", long, http.StatusRequestHeaderFieldsTooLarge)
}

// The limits that are in force when nobody says others.
func TestTheLimitsOfHTTPAreSet(t *testing.T) {
	server := suite.Server(suite.HTTPLimits{}, http.NotFoundHandler())
	if server.ReadHeaderTimeout != 10*time.Second || server.IdleTimeout != 2*time.Minute || server.MaxHeaderBytes != 64<<10 {
		t.Errorf("head %v, rest %v, size %d", server.ReadHeaderTimeout, server.IdleTimeout, server.MaxHeaderBytes)
	}
}
