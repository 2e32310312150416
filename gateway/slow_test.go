package gateway_test

import (
	"bufio"
	"encoding/json"
	"fmt"
	"net"
	"net/http"
	"testing"
	"time"

	"coldsection.example/gateway"
	"coldsection.example/gateway/internal/rest"
	"coldsection.example/services/platform/clock"
)

// dial opens a connection to the gateway's HTTP port and sends the head of a change with so many bytes to come.
func (w *world) dial(bytes int) net.Conn {
	w.t.Helper()
	conn, err := (&net.Dialer{}).DialContext(w.t.Context(), "tcp", w.http.Listener.Addr().String())
	if err != nil {
		w.t.Fatal(err)
	}
	w.t.Cleanup(func() { _ = conn.Close() })
	_, err = fmt.Fprintf(conn, "POST /v1/items HTTP/1.1\r\nHost: x\r\nAuthorization: Bearer %s\r\nContent-Type: application/json\r\nContent-Length: %d\r\n\r\n", w.admin, bytes)
	if err != nil {
		w.t.Fatal(err)
	}
	return conn
}

// answer reads what the gateway says on a connection.
func answer(t *testing.T, conn net.Conn) (status int, problem map[string]any) {
	t.Helper()
	_ = conn.SetReadDeadline(clock.System().Now().Add(time.Minute))
	resp, err := http.ReadResponse(bufio.NewReader(conn), nil)
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = resp.Body.Close() }()
	if err := json.NewDecoder(resp.Body).Decode(&problem); err != nil {
		t.Fatal(err)
	}
	return resp.StatusCode, problem
}

// A body that stops in the middle, and one that comes byte by byte for longer than a body may take, are given up with a reason, while others are
// served; a body in pieces that comes in time is taken.
func TestBodiesThatComeTooSlowlyAreGivenUp(t *testing.T) {
	for name, limits := range map[string]rest.BodyLimits{"stops": {Pause: 100 * time.Millisecond, Whole: time.Hour}, "drips": {Pause: time.Hour, Whole: 500 * time.Millisecond}} {
		t.Run(name, func(t *testing.T) {
			w := newWorld(t, func(c *gateway.Config) { c.Bodies = limits })
			conn, given := w.dial(1_000_000), make(chan struct{})
			go func() {
				defer close(given)
				for range 1_000_000 {
					if _, err := conn.Write([]byte(" ")); err != nil || name == "stops" {
						return
					}
					<-clock.System().After(time.Millisecond)
				}
			}()
			if status, problem := answer(t, conn); status != http.StatusRequestTimeout || problem["reason"] != "REQUEST_TOO_SLOW" {
				t.Errorf("got %d %v", status, problem)
			}
			_ = conn.Close()
			<-given
			if status, problem, _ := w.rest("GET", "/v1/items/a", w.admin, ""); status != http.StatusOK {
				t.Errorf("somebody else: %d %v", status, problem)
			}
		})
	}
	t.Run("in pieces", func(t *testing.T) {
		w := newWorld(t)
		body := `{"displayName":"k1","kind":"CLEANER","baseUnitCode":"L"}`
		conn := w.dial(len(body))
		for i := range body {
			if _, err := conn.Write([]byte{body[i]}); err != nil {
				t.Fatal(err)
			}
		}
		if status, made := answer(t, conn); status != http.StatusOK || made["name"] != "items/new" {
			t.Errorf("got %d %v", status, made)
		}
	})
}

// A long poll whose body was read is not ended by the limits of bodies.
func TestTheLimitsOfBodiesEndWithThem(t *testing.T) {
	w := newWorld(t, func(c *gateway.Config) {
		c.Bodies = rest.BodyLimits{Pause: 50 * time.Millisecond, Whole: 50 * time.Millisecond}
	})
	status, page, _ := w.rest("GET", "/v1/events?wait=1s&types=coldsection.nothing.*", w.admin, "")
	if status != http.StatusOK {
		t.Errorf("got %d %v", status, page)
	}
}
