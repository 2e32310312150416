package webhooks

import (
	"bytes"
	"context"
	"errors"
	"io"
	"net"
	"net/http"
	"strconv"
	"strings"
	"time"

	"coldsection.example/gateway/internal/feed"
	"coldsection.example/services/platform/clock"
	"coldsection.example/services/platform/fault"
)

// Limits of one attempt.
const (
	timeout     = 20 * time.Second // the specification advises 15 to 30 s
	hardTimeout = 30 * time.Second // of the machine's clock, where the suite's own stands still
	readLimit   = 64 << 10         // what is read of an answer
	keepLimit   = 500              // what is kept of it
)

// message is what one attempt sends.
type message struct {
	id, url string
	body    []byte
	secrets [][]byte
}

// outcome is what became of an attempt.
type outcome struct {
	at         time.Time
	status     int    // 0 without an answer
	problem    string // why it does not count; "" for success
	excerpt    string // the beginning of the answer
	retryAfter time.Duration
}

func (o outcome) delivered() bool { return o.problem == "" }

// sender makes attempts over HTTP. It follows no redirect, uses no proxy and keeps no connection.
type sender struct {
	clock         clock.Clock
	secure, plain *http.Client
}

func newSender(clk clock.Clock, g Guard) *sender {
	return &sender{clock: clk, secure: client(g, false), plain: client(g, true)}
}

func client(g Guard, plain bool) *http.Client {
	dialer := &net.Dialer{Timeout: timeout / 2, Control: g.control(plain)}
	return &http.Client{
		Timeout: hardTimeout,
		Transport: &http.Transport{
			DialContext: dialer.DialContext, TLSHandshakeTimeout: timeout / 2, DisableKeepAlives: true, MaxResponseHeaderBytes: readLimit,
			ForceAttemptHTTP2: true,
		},
		CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse },
	}
}

// send makes one attempt; it ends after the timeout on the suite's clock.
func (s *sender) send(ctx context.Context, m message) outcome {
	out := outcome{at: s.clock.Now()}
	ctx, cancel := context.WithCancelCause(ctx)
	defer cancel(nil)
	late := s.clock.After(timeout)
	go func() {
		select {
		case <-late:
			cancel(errLate)
		case <-ctx.Done():
		}
	}()
	req, err := http.NewRequestWithContext(ctx, http.MethodPost, m.url, bytes.NewReader(m.body))
	if err != nil {
		out.problem = "The address can't be read."
		return out
	}
	req.Header.Set("Content-Type", feed.CloudEventsType)
	req.Header.Set("User-Agent", "coldsection-webhooks/1")
	sign(req.Header, m.id, out.at, m.body, m.secrets...)
	by := s.secure
	if req.URL.Scheme == "http" {
		by = s.plain
	}
	resp, err := by.Do(req)
	if err != nil {
		out.problem = why(ctx, err)
		return out
	}
	defer func() { _ = resp.Body.Close() }()
	out.read(ctx, resp)
	return out
}

var errLate = errors.New("late")

// read judges an answer: 200 to 299 is success, and only when it came in time.
func (o *outcome) read(ctx context.Context, resp *http.Response) {
	o.status = resp.StatusCode
	text, err := io.ReadAll(io.LimitReader(resp.Body, readLimit))
	o.excerpt = strings.ToValidUTF8(strings.ReplaceAll(string(text[:min(len(text), keepLimit)]), "\x00", ""), "\uFFFD")
	switch {
	case err != nil:
		o.problem = why(ctx, err)
	case resp.StatusCode >= 300 && resp.StatusCode < 400:
		o.problem = "The receiver answered with a redirect, which is not followed. Change the endpoint's address instead."
	case resp.StatusCode < 200 || resp.StatusCode >= 300:
		o.problem = "The receiver answered with " + strconv.Itoa(resp.StatusCode) + "."
	}
	if seconds, err := strconv.Atoi(resp.Header.Get("Retry-After")); err == nil && seconds > 0 {
		o.retryAfter = time.Duration(min(seconds, int(maxRetryAfter/time.Second))) * time.Second
	}
}

// why puts a failed attempt in words that give nothing away of this host's network beyond what the address says.
func why(ctx context.Context, err error) string {
	f, refused := fault.As(err)
	timed, isNet := errors.AsType[net.Error](err)
	_, isDNS := errors.AsType[*net.DNSError](err)
	switch {
	case refused:
		return f.Message
	case errors.Is(context.Cause(ctx), errLate) || isNet && timed.Timeout():
		return "The receiver did not answer within " + timeout.String() + "."
	case isDNS:
		return "The name of the host can't be resolved."
	default:
		return "No connection came about, or it ended early: " + lastCause(err) + "."
	}
}

// lastCause is the innermost error, without the addresses that the outer ones name.
func lastCause(err error) string {
	for {
		inner := errors.Unwrap(err)
		if inner == nil {
			return err.Error()
		}
		err = inner
	}
}
