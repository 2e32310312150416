package oidc_test

import (
	"context"
	"errors"
	"fmt"
	"net/http"
	"net/http/httptest"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"coldsection.example/gateway/internal/oidc"
	"coldsection.example/services/platform/auth"
	"coldsection.example/services/platform/clock"
	"coldsection.example/services/platform/fault"
)

// slow is an issuer that answers for its discovery document when it is let.
type slow struct {
	*httptest.Server

	asked atomic.Int64
	came  chan struct{} // one for each question
	let   chan bool     // one for each answer: whether it is a good one
}

func newSlow(t *testing.T) *slow {
	t.Helper()
	s := &slow{came: make(chan struct{}, 100), let: make(chan bool)}
	s.Server = httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) {
		s.asked.Add(1)
		s.came <- struct{}{}
		if !<-s.let {
			http.Error(w, "not now", http.StatusServiceUnavailable)
			return
		}
		_, _ = fmt.Fprintf(w, `{"issuer":%[1]q,"authorization_endpoint":"%[1]s/go","token_endpoint":"%[1]s/token","jwks_uri":"%[1]s/keys"}`, s.URL)
	}))
	t.Cleanup(s.Close)
	return s
}

func provider(t *testing.T, issuer string) *oidc.Provider {
	t.Helper()
	keys, err := auth.NewKeys([]byte(strings.Repeat("k", 32)))
	if err != nil {
		t.Fatal(err)
	}
	p, err := oidc.New(oidc.Config{Issuer: issuer, ClientID: "c", PublicURL: "https://gateway.example"}, keys, clock.NewFake(time.Date(2026, 3, 1, 8, 0, 0, 0, time.UTC)))
	if err != nil {
		t.Fatal(err)
	}
	return p
}

// While the provider does not answer, it is asked once, whoever gives up does so at once, and the others get the answer when it comes. One that
// answered is not asked again; one that refused is.
func TestAProviderThatAnswersLateHoldsNobody(t *testing.T) {
	s := newSlow(t)
	p := provider(t, s.URL)
	const others = 8
	answers := make(chan error, others)
	begin := func() {
		_, _, err := p.Begin(t.Context(), "")
		answers <- err
	}
	go begin()
	<-s.came
	for range others - 1 {
		go begin()
	}
	hurried, cancel := context.WithCancel(t.Context())
	cancel()
	if _, _, err := p.Begin(hurried, ""); !fault.HasReason(err, "PROVIDER_UNREACHABLE") || !errors.Is(err, context.Canceled) {
		t.Errorf("whoever left: %v", err)
	}
	s.let <- true
	for range others {
		if err := <-answers; err != nil {
			t.Errorf("whoever waited: %v", err)
		}
	}
	if _, _, err := p.Begin(t.Context(), ""); err != nil || s.asked.Load() != 1 {
		t.Errorf("asked %d times, %v", s.asked.Load(), err)
	}
}

// Whoever began the question and left takes it from nobody else.
func TestWhoeverBeganTheQuestionMayLeave(t *testing.T) {
	s := newSlow(t)
	p := provider(t, s.URL)
	first, leave := context.WithCancel(t.Context())
	left, waited := make(chan error), make(chan error)
	go func() {
		_, _, err := p.Begin(first, "")
		left <- err
	}()
	<-s.came
	go func() {
		_, _, err := p.Begin(t.Context(), "")
		waited <- err
	}()
	leave()
	if err := <-left; !fault.HasReason(err, "PROVIDER_UNREACHABLE") {
		t.Errorf("whoever left: %v", err)
	}
	s.let <- true
	if err := <-waited; err != nil {
		t.Errorf("whoever waited: %v", err)
	}
}

// A provider that did not answer well is asked again by whoever comes next.
func TestAProviderThatRefusedIsAskedAgain(t *testing.T) {
	s := newSlow(t)
	p := provider(t, s.URL)
	go func() { s.let <- false; s.let <- true }()
	if _, _, err := p.Begin(t.Context(), ""); !fault.HasReason(err, "PROVIDER_UNREACHABLE") {
		t.Errorf("a provider that refuses: %v", err)
	}
	if address, _, err := p.Begin(t.Context(), ""); err != nil || !strings.HasPrefix(address, s.URL+"/go?") || s.asked.Load() != 2 {
		t.Errorf("later: %q, %v, asked %d times", address, err, s.asked.Load())
	}
}
