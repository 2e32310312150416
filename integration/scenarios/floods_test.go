package scenarios

import (
	"bytes"
	"fmt"
	"net"
	"net/http"
	"slices"
	"sync"
	"testing"
	"time"

	"golang.org/x/net/http2"
	"golang.org/x/net/http2/hpack"

	"coldsection.example/integration/harness"
	"coldsection.example/services/platform/clock"
)

// slowestOf makes calls one after the other and returns the second slowest of a hundred, which 99 in 100 are not above.
func slowestOf(t *testing.T, who *harness.Person) time.Duration {
	t.Helper()
	took := make([]time.Duration, 100)
	for i := range took {
		began := clock.System().Now()
		if a := who.REST("GET", "/v1/accounts/erp", nil); a.Status != http.StatusOK {
			t.Errorf("%d %v", a.Status, a.Body)
		}
		took[i] = clock.System().Now().Sub(began)
	}
	slices.Sort(took)
	return took[len(took)-2]
}

// flood keeps some callers at work until it is ended.
func flood(t *testing.T, callers int, call func() error) (end func()) {
	t.Helper()
	over, running := make(chan struct{}), sync.WaitGroup{}
	for range callers {
		running.Go(func() {
			for {
				select {
				case <-over:
					return
				default:
					if call() != nil { // sent away: come again, though not at once
						<-clock.System().After(10 * time.Millisecond)
					}
				}
			}
		})
	}
	return func() { close(over); running.Wait() }
}

// fromAfar dials from another address than the callers that are measured.
func fromAfar() *net.Dialer {
	return &net.Dialer{LocalAddr: &net.TCPAddr{IP: net.IPv4(127, 0, 0, 2)}, Timeout: 10 * time.Second}
}

// greeted is a connection to a gRPC port on which both sides said that they speak HTTP/2.
func greeted(address string) (net.Conn, *http2.Framer, error) {
	conn, err := fromAfar().Dial("tcp", address)
	if err != nil {
		return nil, nil, err
	}
	_ = conn.SetDeadline(clock.System().Now().Add(30 * time.Second))
	frames := http2.NewFramer(conn, conn)
	if _, err = conn.Write([]byte(http2.ClientPreface)); err == nil {
		err = frames.WriteSettings()
	}
	return conn, frames, err
}

// rapidReset opens a thousand calls and takes each back at once.
func rapidReset(address string) error {
	conn, frames, err := greeted(address)
	if err != nil {
		return err
	}
	defer func() { _ = conn.Close() }()
	go listen(frames)
	var head bytes.Buffer
	write := hpack.NewEncoder(&head)
	for i := range uint32(1000) {
		head.Reset()
		for _, f := range [][2]string{
			{":method", "POST"}, {":scheme", "http"}, {":path", "/coldsection.access.v1.AccessQueryService/ListAccounts"},
			{":authority", "x"}, {"content-type", "application/grpc"}, {"te", "trailers"},
		} {
			if err := write.WriteField(hpack.HeaderField{Name: f[0], Value: f[1]}); err != nil {
				return err
			}
		}
		if err := frames.WriteHeaders(http2.HeadersFrameParam{StreamID: 2*i + 1, BlockFragment: head.Bytes(), EndHeaders: true}); err != nil {
			return err
		}
		if err := frames.WriteRSTStream(2*i+1, http2.ErrCodeCancel); err != nil {
			return err
		}
	}
	return nil
}

// listen takes what the server says, until it says no more.
func listen(frames *http2.Framer) {
	for {
		if _, err := frames.ReadFrame(); err != nil {
			return
		}
	}
}

// pings asks for signs of life without end; it returns how the server put an end to it.
func pings(address string) error {
	conn, frames, err := greeted(address)
	if err != nil {
		return err
	}
	defer func() { _ = conn.Close() }()
	go listen(frames)
	for {
		if err := frames.WritePing(false, [8]byte{1}); err != nil {
			return err
		}
	}
}

// idle opens connections that say nothing more than the beginning of a request, or nothing at all, until the end of the test.
func idle(t *testing.T, address, beginning string, many int) []net.Conn {
	t.Helper()
	open := make([]net.Conn, 0, many)
	for range many {
		conn, err := fromAfar().DialContext(t.Context(), "tcp", address)
		if err != nil {
			t.Fatal(err)
		}
		t.Cleanup(func() { _ = conn.Close() })
		_, _ = fmt.Fprint(conn, beginning) // one that is sent away can't be written to
		open = append(open, conn)
	}
	return open
}

// Case E21: calls that are taken back at once, pings without end, heads that never end and connections on which nothing comes: others are served
// within a second, or ten times what it takes where the machine is busy anyway, and the process does not grow; who floods is sent away. Before calls
// of an address were bounded, their handlers outlived their connections: 90,000 of them had 5 GiB.
func TestFloodsLeaveOthersBe(t *testing.T) {
	stage := harness.OneProcess(t)
	who, program := administrator(t, stage), stage.Processes[0]
	limit, before := max(time.Second, 10*slowestOf(t, who)), memoryOf(t, program)
	measure := func(what string) {
		t.Helper()
		took := slowestOf(t, who)
		t.Logf("%s: 99 of 100 calls within %v; at most %d MiB of memory", what, took, memoryOf(t, program)>>20)
		if took > limit {
			t.Errorf("%s: 99 of 100 calls within %v, want %v", what, took, limit)
		}
		if grown := memoryOf(t, program) - before; grown > 256<<20 {
			t.Errorf("%s: it has %d MiB more than before", what, grown>>20)
		}
	}
	slow := idle(t, stage.HTTP[0], "GET /v1/accounts HTTP/1.1\r\nHost: x\r\nX-Slow: ", 300)
	idle(t, stage.HTTP[0], "", 1000)
	idle(t, stage.GRPC[0], "", 300)
	measure("idle connections")
	end := flood(t, 4, func() error { return rapidReset(stage.GRPC[0]) })
	measure("rapid reset")
	measure("rapid reset that goes on")
	end()
	end = flood(t, 4, func() error { return pings(stage.GRPC[0]) })
	measure("pings")
	end()
	for _, conn := range slow { // the heads' time is over soon, if it is not yet
		_ = conn.SetReadDeadline(clock.System().Now().Add(time.Minute))
		if n, err := conn.Read(make([]byte, 512)); n == 0 && isTimeout(err) {
			t.Fatal("a head that does not end is waited for")
		}
	}
}

// memoryOf is the most that a process had in memory so far, in bytes.
func memoryOf(t *testing.T, program *harness.Process) int64 {
	t.Helper()
	most, err := program.MostMemory()
	if err != nil {
		t.Fatal(err)
	}
	return most
}

func isTimeout(err error) bool {
	slow, ok := err.(net.Error) //nolint:errorlint // as the network gives it
	return ok && slow.Timeout()
}

// Case E16: with one processor, 128 MiB of memory and 64 files the suite serves what it can; when connections have taken all files, it comes back as soon
// as they are gone.
func TestSmallLimitsAreLivedWith(t *testing.T) {
	t.Setenv("GOMAXPROCS", "1")
	t.Setenv("GOMEMLIMIT", "80MiB") // of 128: the rest is for stacks and the data base
	stage := harness.OneProcess(t)
	who := administrator(t, stage)
	program := stage.Processes[0]
	more, err := program.FewFiles(64)
	if err != nil {
		t.Fatal(err)
	}
	defer more()
	slowestOf(t, who)
	open := make([]net.Conn, 0, 100)
	for range 100 {
		if conn, err := net.DialTimeout("tcp", stage.HTTP[0], time.Second); err == nil {
			open = append(open, conn)
		}
	}
	change := func() harness.Answer {
		return who.REST("PATCH", "/v1/accounts/erp?updateMask=displayName", map[string]any{"displayName": "ERP"})
	}
	refused := 0
	for range 20 { // a change needs its line in the audit and its row; those who are let in at all are answered in words
		if a := change(); a.Status != http.StatusOK {
			refused++
			checkProblem(t, "a change without files", a)
		}
	}
	for _, conn := range open {
		_ = conn.Close()
	}
	http.DefaultClient.CloseIdleConnections()
	must(t, again(t, "a change", change))
	own, err := program.OwnMemory()
	if err != nil {
		t.Fatal(err)
	}
	t.Logf("%d connections took the files, %d of 20 changes were refused; it has %d MiB of memory of its own, and had %d with its file's", len(open), refused, own>>20, memoryOf(t, program)>>20)
	if own > 128<<20 {
		t.Errorf("it has %d MiB of memory", own>>20)
	}
}
