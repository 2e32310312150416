package webhooks

import (
	"context"
	"fmt"
	"net"
	"net/http"
	"net/http/httptest"
	"net/netip"
	"runtime"
	"strings"
	"sync"
	"testing"
	"time"

	"golang.org/x/net/dns/dnsmessage"

	"coldsection.example/services/platform/clock"
)

// names has names resolved by ask from now on, instead of by the machine.
func names(t *testing.T, ask func(ctx context.Context, network, address string) (net.Conn, error)) {
	t.Helper()
	prefer, dial := net.DefaultResolver.PreferGo, net.DefaultResolver.Dial
	net.DefaultResolver.PreferGo, net.DefaultResolver.Dial = true, ask
	t.Cleanup(func() { net.DefaultResolver.PreferGo, net.DefaultResolver.Dial = prefer, dial })
}

func outgoing(url string) message {
	return message{id: "f1", url: url, body: []byte("{}"), secrets: [][]byte{newSecret()}}
}

// Case E14: a name that nobody resolves costs an attempt its time and no more, and leaves nothing behind.
func TestANameThatIsNeverResolvedIsLeft(t *testing.T) {
	const attempts = 20
	asked, release := make(chan struct{}, 1000), make(chan struct{})
	names(t, func(ctx context.Context, _, _ string) (net.Conn, error) {
		asked <- struct{}{}
		select {
		case <-ctx.Done():
		case <-release: // what the resolver does by itself, for others who may ask for the name, ends by its own limits
		}
		return nil, context.DeadlineExceeded
	})
	clk := clock.NewFake(time.Date(2026, 3, 1, 8, 0, 0, 0, time.UTC))
	s, before := newSender(clk, Guard{}), runtime.NumGoroutine()
	var sending sync.WaitGroup
	outcomes := make(chan outcome, attempts)
	for i := range attempts {
		sending.Go(func() { outcomes <- s.send(t.Context(), outgoing(fmt.Sprintf("https://slow-%d.example.com/", i))) })
	}
	for range 2 * attempts { // for both families
		<-asked
	}
	clk.Advance(timeout)
	sending.Wait()
	close(release)
	close(outcomes)
	for o := range outcomes {
		if o.delivered() || o.status != 0 || o.problem == "" {
			t.Errorf("%+v", o)
		}
	}
	for deadline := clock.System().After(time.Minute); runtime.NumGoroutine() > before+5; {
		select {
		case <-deadline:
			t.Fatalf("%d goroutines, %d before", runtime.NumGoroutine(), before)
		case <-clock.System().After(10 * time.Millisecond):
		}
	}
}

// answering is a name server in this process whose every answer is the next of the addresses; the last one stays.
func answering(t *testing.T, addresses ...string) {
	t.Helper()
	var mu sync.Mutex
	names(t, func(context.Context, string, string) (net.Conn, error) {
		ours, theirs := net.Pipe()
		go func() {
			defer func() { _ = theirs.Close() }()
			head := make([]byte, 2)
			for {
				if _, err := theirs.Read(head); err != nil { // DNS over a stream begins with a length, RFC 1035 section 4.2.2
					return
				}
				question := make([]byte, int(head[0])<<8|int(head[1]))
				if _, err := theirs.Read(question); err != nil {
					return
				}
				mu.Lock()
				address := addresses[0]
				answer, used := answerTo(question, netip.MustParseAddr(address))
				if used && len(addresses) > 1 {
					addresses = addresses[1:]
				}
				mu.Unlock()
				if _, err := theirs.Write(append([]byte{byte(len(answer) >> 8), byte(len(answer))}, answer...)); err != nil {
					return
				}
			}
		}()
		return ours, nil
	})
}

// answerTo answers a question with an address, if it is of its family.
func answerTo(question []byte, address netip.Addr) (answer []byte, used bool) {
	var m dnsmessage.Message
	if m.Unpack(question) != nil || len(m.Questions) != 1 {
		return nil, false
	}
	q := m.Questions[0]
	m.Header.Response, m.Header.Authoritative, m.Additionals = true, true, nil
	head := dnsmessage.ResourceHeader{Name: q.Name, Type: q.Type, Class: dnsmessage.ClassINET}
	switch {
	case q.Type == dnsmessage.TypeA && address.Is4():
		m.Answers, used = []dnsmessage.Resource{{Header: head, Body: &dnsmessage.AResource{A: address.As4()}}}, true
	case q.Type == dnsmessage.TypeAAAA && address.Is6():
		m.Answers, used = []dnsmessage.Resource{{Header: head, Body: &dnsmessage.AAAAResource{AAAA: address.As16()}}}, true
	default:
	}
	answer, _ = m.Pack()
	return answer, used
}

// Case C18: what a name leads to is looked at when it is connected to, so a name that leads elsewhere by then gets nothing, in whatever form the
// address comes.
func TestANameThatLeadsInsideIsNotConnectedTo(t *testing.T) {
	reached := false
	inside := httptest.NewServer(http.HandlerFunc(func(http.ResponseWriter, *http.Request) { reached = true }))
	t.Cleanup(inside.Close)
	_, port, err := net.SplitHostPort(inside.Listener.Addr().String())
	if err != nil {
		t.Fatal(err)
	}
	for _, address := range []string{"127.0.0.1", "169.254.169.254", "10.1.2.3", "::1", "fe80::1", "::ffff:127.0.0.1", "64:ff9b::7f00:1", "2002:7f00:1::"} {
		answering(t, address)
		guard := Guard{}
		if err := guard.CheckURL("https://erp.example.com:" + port + "/"); err != nil {
			t.Fatal(err)
		}
		o := newSender(clock.System(), guard).send(t.Context(), outgoing("https://erp.example.com:"+port+"/"))
		if o.delivered() || o.status != 0 || !strings.Contains(o.problem, "is no public address") {
			t.Errorf("%s: %+v", address, o)
		}
	}
	if reached {
		t.Error("a message came inside")
	}
}

// Receivers that answer strangely are told apart: what came whole counts, what was cut off does not, and no answer is read without end.
func TestReceiversThatAnswerStrangely(t *testing.T) {
	cut := func(w http.ResponseWriter, _ *http.Request) {
		w.Header().Set("Content-Length", "100")
		_, _ = w.Write([]byte("ok"))
		_ = http.NewResponseController(w).Flush()
		panic(http.ErrAbortHandler)
	}
	for name, c := range map[string]struct {
		answer    http.HandlerFunc
		delivered bool
		excerpt   string
	}{
		"200, and the connection closed in the middle of the text": {cut, false, "ok"},
		"200 and nothing": {func(http.ResponseWriter, *http.Request) {}, true, ""},
		"200 and a text without end": {func(w http.ResponseWriter, r *http.Request) {
			for r.Context().Err() == nil {
				if _, err := w.Write([]byte(strings.Repeat("x", 32<<10))); err != nil {
					return
				}
			}
		}, true, strings.Repeat("x", keepLimit)},
		"200 and bytes that are no text": {func(w http.ResponseWriter, _ *http.Request) { _, _ = w.Write([]byte("a\x00b\xff")) }, true, "ab\uFFFD"},
		"a header without end": {func(w http.ResponseWriter, _ *http.Request) {
			w.Header().Set("X", strings.Repeat("x", 2*readLimit))
		}, false, ""},
		"a redirect inside": {func(w http.ResponseWriter, r *http.Request) {
			http.Redirect(w, r, "http://169.254.169.254/latest", http.StatusTemporaryRedirect)
		}, false, ""},
		"a connection that is closed without a word": {func(http.ResponseWriter, *http.Request) { panic(http.ErrAbortHandler) }, false, ""},
	} {
		t.Run(name, func(t *testing.T) {
			receiver := httptest.NewServer(c.answer)
			t.Cleanup(receiver.Close)
			s := newSender(clock.System(), Guard{Allowed: []netip.Prefix{netip.MustParsePrefix("127.0.0.0/8")}})
			o := s.send(t.Context(), outgoing(receiver.URL))
			if o.delivered() != c.delivered || o.excerpt != c.excerpt {
				t.Errorf("%v %d %q, %d bytes are kept: %.40q", o.delivered(), o.status, o.problem, len(o.excerpt), o.excerpt)
			}
		})
	}
}
