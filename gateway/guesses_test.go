package gateway_test

import (
	"net/http"
	"net/netip"
	"testing"
	"time"

	"coldsection.example/gateway"
	accessv1 "coldsection.example/proto/coldsection/access/v1"
)

// guess signs in over HTTP and returns the status and the whole answer.
func (w *world) guess(login, password string) (int, map[string]any, http.Header) {
	w.t.Helper()
	return w.rest("POST", "/v1/sessions:signIn", "", `{"login":"`+login+`","password":"`+password+`"}`)
}

// outcomes makes guesses, at once or one after the other, and counts their reasons.
func (w *world) outcomes(n int, login string, atOnce bool) map[string]int {
	w.t.Helper()
	reasons := make(chan string, n)
	try := func() {
		_, problem, _ := w.guess(login, "wrong")
		reason, _ := problem["reason"].(string)
		reasons <- reason
	}
	for range n {
		if atOnce {
			go try()
		} else {
			try()
		}
	}
	out := map[string]int{}
	for range n {
		out[<-reasons]++
	}
	return out
}

func TestGuessesSentAtOnceAreCountedBeforeTheyAreLookedAt(t *testing.T) {
	w := newWorld(t)
	// Those that are looked at take long on a busy machine, so that some may end at their deadline; the refused never get that far.
	if got := w.outcomes(60, "admin", true); got["CREDENTIALS_WRONG"] == 0 || got["ACCOUNT_LOCKED"] != 55 {
		t.Errorf("60 guesses: %v, want 5 looked at and 55 refused", got)
	}
	w.clock.Advance(time.Second)
	if got := w.outcomes(10, "admin", true); got["ACCOUNT_LOCKED"] != 9 {
		t.Errorf("a second later, 10 more: %v, want one looked at", got)
	}
}

func TestWaitsGrowAlikeWhetherOrNotThereIsAnAccount(t *testing.T) {
	w := newWorld(t)
	for _, login := range []string{"admin", "nobody"} {
		if got := w.outcomes(5, login, false); got["CREDENTIALS_WRONG"] != 5 {
			t.Fatalf("five guesses at %s: %v", login, got)
		}
	}
	for _, wait := range []time.Duration{time.Second, 2 * time.Second} {
		var answers []string
		for _, login := range []string{"admin", "nobody"} {
			status, problem, header := w.guess(login, passphrase)
			if status != 429 || problem["reason"] != "ACCOUNT_LOCKED" {
				t.Fatalf("%s, to wait %v: %d %v", login, wait, status, problem)
			}
			detail, _ := problem["detail"].(string)
			answers = append(answers, header.Get("Retry-After")+" "+detail)
		}
		if answers[0] != answers[1] {
			t.Errorf("the answers tell that there is an account:\n%s\n%s", answers[0], answers[1])
		}
		w.clock.Advance(wait)
		for _, login := range []string{"admin", "nobody"} {
			if status, problem, _ := w.guess(login, "wrong"); status != 401 || problem["reason"] != "CREDENTIALS_WRONG" {
				t.Fatalf("%s after %v: %d %v", login, wait, status, problem)
			}
		}
	}
	w.clock.Advance(4 * time.Second)
	for range 2 {
		if status, problem, _ := w.guess("admin", passphrase); status != 200 {
			t.Errorf("the right password after its wait, which takes back the guesses before it: %d %v", status, problem)
		}
	}
}

func TestStrangersGuessesKeepNobodyFromSigning(t *testing.T) {
	w := newWorld(t)
	w.outcomes(6, "admin", false)
	sessions := accessv1.NewSessionServiceClient(w.conn)
	if _, err := sessions.Reauthenticate(w.as(w.admin), &accessv1.ReauthenticateRequest{Password: passphrase}); err != nil {
		t.Errorf("who is signed in: %v", err)
	}
	for range 5 {
		_, err := sessions.Reauthenticate(w.as(w.admin), &accessv1.ReauthenticateRequest{Password: "wrong"})
		if reasonOf(err) != "CREDENTIALS_WRONG" {
			t.Fatalf("a wrong password: %v", err)
		}
	}
	if _, err := sessions.Reauthenticate(w.as(w.admin), &accessv1.ReauthenticateRequest{Password: passphrase}); reasonOf(err) != "ACCOUNT_LOCKED" {
		t.Errorf("five wrong passwords with a session: %v", err)
	}
	_, err := accessv1.NewAccessServiceClient(w.conn).EnableAccount(w.as(w.admin), &accessv1.EnableAccountRequest{Name: "accounts/admin"})
	if err != nil {
		t.Fatal(err)
	}
	if status, problem, _ := w.guess("admin", passphrase); status != 200 {
		t.Errorf("after an administrator enabled it: %d %v", status, problem)
	}
}

// Strangers who guess on and on keep nobody out who signed in from elsewhere before: guesses from there are counted apart, and have their limit
// too. Addresses are those of the documentation networks (RFC 5737).
func TestStrangersKeepNobodyOutOfTheirOwnHouse(t *testing.T) {
	w := newWorld(t, func(c *gateway.Config) { c.Limits.Proxies = []netip.Prefix{netip.MustParsePrefix("127.0.0.1/32")} })
	from := func(address, password string) string {
		t.Helper()
		_, answer, _ := w.rest("POST", "/v1/sessions:signIn", "", `{"login":"admin","password":"`+password+`"}`, "X-Forwarded-For", address)
		reason, _ := answer["reason"].(string)
		return reason
	}
	const home, elsewhere = "192.0.2.7", "203.0.113.9"
	if reason := from(home, passphrase); reason != "" {
		t.Fatalf("at home: %q", reason)
	}
	for range 12 {
		from(elsewhere, "wrong")
	}
	if stranger, owner := from(elsewhere, passphrase), from(home, passphrase); stranger != "ACCOUNT_LOCKED" || owner != "" {
		t.Errorf("after a stranger's guesses: %q elsewhere, %q at home", stranger, owner)
	}
	if reason := from(elsewhere, passphrase); reason != "ACCOUNT_LOCKED" {
		t.Errorf("the owner at home let the stranger guess again: %q", reason)
	}
	for range 5 {
		from(home, "wrong")
	}
	if reason := from(home, passphrase); reason != "ACCOUNT_LOCKED" {
		t.Errorf("after five wrong passwords at home: %q", reason)
	}
	enable := &accessv1.EnableAccountRequest{Name: "accounts/admin"}
	if _, err := accessv1.NewAccessServiceClient(w.conn).EnableAccount(w.as(w.admin), enable); err != nil {
		t.Fatal(err)
	}
	if stranger, owner := from(elsewhere, "wrong"), from(home, passphrase); stranger != "CREDENTIALS_WRONG" || owner != "" {
		t.Errorf("enabled by an administrator: %q elsewhere, %q at home", stranger, owner)
	}
	w.clock.Advance(30*24*time.Hour + time.Second)
	for range 12 {
		from(elsewhere, "wrong")
	}
	if reason := from(home, passphrase); reason != "ACCOUNT_LOCKED" {
		t.Errorf("a month after the last time at home: %q", reason)
	}
}
