package scenarios

import (
	"fmt"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/nats-io/nats.go"

	"coldsection.example/integration/harness"
	"coldsection.example/services/platform/clock"
	"coldsection.example/services/platform/eventbus"
	"coldsection.example/services/platform/outbox"
	"coldsection.example/services/suite/story"

	consumablesv1 "coldsection.example/proto/coldsection/consumables/v1"
)

// TestFacts tells the story on event servers of its own, and asks what went over them, and what happens while they are away.
func TestFacts(t *testing.T) {
	servers, admin := harness.OneEventServer(t), harness.Address(t)
	bus, err := nats.Connect(servers.URL, nats.MaxReconnects(-1))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(bus.Close)
	heard, err := bus.SubscribeSync("coldsection.v1.>")
	if err != nil {
		t.Fatal(err)
	}
	stage := harness.OneProcessWith(t, "--nats", servers.URL, "--replicas", "1", "--admin", admin)
	out := play(t, stage, nil)
	t.Run("messages are CloudEvents", func(t *testing.T) { messagesAreCloudEvents(t, stage, servers, heard) })
	t.Run("the feed is walked during writes", func(t *testing.T) { feedIsWalkedDuringWrites(t, stage) })
	t.Run("facts wait for the event servers", func(t *testing.T) { factsWaitForTheEventServers(t, stage, servers, admin) })
	t.Run("signatures outlive accounts and keys", func(t *testing.T) { signaturesOutliveAccountsAndKeys(t, stage, out.WorkOrder) })
}

// Check OPS-09: who left can't come in any more; what they signed shows their name and stays valid, also when the internal secret was replaced.
func signaturesOutliveAccountsAndKeys(t *testing.T, stage *harness.Stage, order string) {
	t.Helper()
	admin, quality := stage.SignIn(t, "admin"), stage.SignIn(t, "quality")
	names := func() (out []string) {
		for _, s := range elements(must(t, quality.REST("GET", "/v1/"+order+"/signatures", nil)), "signatures") {
			signature, _ := s.(map[string]any)
			if out = append(out, text(signature, "personName")); text(signature, "personName") == "" {
				t.Errorf("a signature shows nobody: %v", s)
			}
		}
		return out
	}
	before := names()
	for _, a := range elements(must(t, admin.REST("GET", "/v1/accounts", nil)), "accounts") {
		account, _ := a.(map[string]any)
		if login := text(account, "login"); login != "admin" && login != "quality" && text(account, "kind") == "HUMAN" {
			must(t, admin.REST("POST", "/v1/"+text(account, "name")+":disable", "{}"))
			answer := stage.Stranger(t).REST("POST", "/v1/sessions:signIn", map[string]any{"login": login, "password": story.Password})
			if answer.Status != 401 {
				t.Errorf("%s left and signs in: %d %v", login, answer.Status, answer.Body)
			}
		}
	}
	secret := filepath.Join(stage.State, "secret")
	old, err := os.ReadFile(secret)
	if err != nil {
		t.Fatal(err)
	}
	fresh := strings.Repeat("0e1f", 16) + "\n"
	for _, lines := range []string{fresh + string(old), fresh} {
		if err := os.WriteFile(secret, []byte(lines), 0o600); err != nil {
			t.Fatal(err)
		}
		stage.Processes[0].Reload()
	}
	signaturesHold(t, stage, order)
	if after := names(); len(after) < 2 || !slices.Equal(before, after) {
		t.Errorf("signatures of %v are now shown as those of %v", before, after)
	}
}

// headerValue is how CloudEvents' NATS binding writes a value: printable ASCII, the rest and " and % in percent form.
var headerValue = regexp.MustCompile(`^([!#$\x26-~]|%[0-9A-F]{2})+$`)

// Check EVT-01: every message of a whole wash job has the attributes that CloudEvents 1.0 requires and ours, written as its NATS
// binding asks, and the id under which the stream knows a repetition. A name with a space and "é" comes back as it was.
func messagesAreCloudEvents(t *testing.T, stage *harness.Stage, servers *harness.EventServer, heard *nats.Subscription) {
	odd := outbox.New("odd", clock.System().Now(), "trial", "coldsection.trial.name.tried.v1", "people/René Núñez", &consumablesv1.StockMoved{})
	odd.Version = 1
	bus, err := eventbus.Open(t.Context(), eventbus.Config{URL: servers.URL, Replicas: 1})
	if err != nil {
		t.Fatal(err)
	}
	defer bus.Close()
	if err := bus.Publish(t.Context(), odd); err != nil {
		t.Fatal(err)
	}
	count := 0
	for last := ""; last != "odd"; count++ { // it is the last, because the story waited for its facts
		m, err := heard.NextMsg(time.Minute)
		if err != nil {
			t.Fatal(err)
		}
		last = m.Header.Get("ce-id")
		checkMessage(t, m)
		if last == "odd" && m.Header.Get("ce-subject") != "people/Ren%C3%A9%20N%C3%BA%C3%B1ez" {
			t.Errorf("the odd name is %q", m.Header.Get("ce-subject"))
		}
	}
	if count < 60 {
		t.Errorf("only %d messages", count)
	}
	page := must(t, stage.SignIn(t, "quality").REST("GET", "/v1/events?subject="+escaped("people/René Núñez"), nil))
	if len(elements(page, "events")) != 1 {
		t.Errorf("the odd name in the feed: %v", page)
	}
}

// checkMessage looks at the headers of one message.
func checkMessage(t *testing.T, m *nats.Msg) {
	t.Helper()
	get := m.Header.Get
	for _, name := range []string{"ce-id", "ce-source", "ce-specversion", "ce-type", "ce-subject", "ce-time", "ce-subjectversion"} {
		if !headerValue.MatchString(get(name)) {
			t.Errorf("%s: %s is %q", m.Subject, name, get(name))
		}
	}
	for name := range m.Header {
		if strings.HasPrefix(name, "ce-") && !headerValue.MatchString(get(name)) {
			t.Errorf("%s: %s is %q", m.Subject, name, get(name))
		}
	}
	if get("ce-specversion") != "1.0" || get("content-type") != "application/json" || get("Nats-Msg-Id") != get("ce-id") {
		t.Errorf("%s: %v", m.Subject, m.Header)
	}
	if typ := strings.Replace(m.Subject, ".v1.", ".", 1) + ".v1"; get("ce-type") != typ {
		t.Errorf("%s has the type %s", m.Subject, get("ce-type"))
	}
	if at, err := time.Parse(time.RFC3339Nano, get("ce-time")); err != nil || at.Location() != time.UTC {
		t.Errorf("%s: the time %q, %v", m.Subject, get("ce-time"), err)
	}
}

// orders writes: each of so many writers drafts so many orders and voids each, over REST.
func orders(t *testing.T, stage *harness.Stage, writers, each int) (done func()) {
	t.Helper()
	planner := stage.SignIn(t, "planner")
	var writing sync.WaitGroup
	for range writers {
		writing.Go(func() {
			for range each {
				draft := planner.REST("POST", "/v1/workOrders", `{"engine":"engines/demo-4711","taskCard":"taskCards/recovery-wash"}`)
				void := planner.REST("POST", "/v1/"+text(draft.Body, "name")+":void", map[string]any{"etag": draft.Body["etag"], "reason": "Was not needed"})
				if draft.Status != 200 || void.Status != 200 {
					t.Errorf("%d %v, %d %v", draft.Status, draft.Body, void.Status, void.Body)
					return
				}
			}
		})
	}
	return writing.Wait
}

// newest is the cursor of the newest fact.
func newest(t *testing.T, who *harness.Person) string {
	t.Helper()
	return text(must(t, who.REST("GET", "/v1/events:locate", nil)), "newestCursor")
}

// follow walks the feed from a cursor until it has so many facts of orders, each once and those of an order in their sequence.
func follow(t *testing.T, who *harness.Person, cursor string, want int) {
	t.Helper()
	seen, last := map[string]bool{}, map[string]int{}
	limit := clock.System().Now().Add(5 * time.Minute)
	for len(seen) < want && !t.Failed() {
		page := must(t, who.REST("GET", "/v1/events?wait=5s&pageSize=37&types=coldsection.workorder.*&after="+cursor, nil))
		for _, e := range elements(page, "events") {
			event, _ := e.(map[string]any)
			id := text(event, "source") + " " + text(event, "id")
			version, err := strconv.Atoi(text(event, "subjectVersion"))
			if subject := text(event, "subject"); err != nil || seen[id] || version != last[subject]+1 {
				t.Fatalf("%s of %s is number %d after %d, %v", id, subject, version, last[subject], err)
			}
			seen[id], last[text(event, "subject")] = true, version
		}
		cursor = text(page, "nextCursor")
		if clock.System().Now().After(limit) {
			t.Fatalf("only %d of %d facts came", len(seen), want)
		}
	}
	if more := must(t, who.REST("GET", "/v1/events?types=coldsection.workorder.*&after="+cursor, nil)); len(elements(more, "events")) > 0 {
		t.Errorf("more facts than there were changes: %v", more)
	}
}

// Check EVT-03: the feed is walked while 500 changes are written; every fact comes once, those of an order in their sequence.
func feedIsWalkedDuringWrites(t *testing.T, stage *harness.Stage) {
	quality := stage.SignIn(t, "quality")
	from := newest(t, quality)
	done := orders(t, stage, 5, 50)
	follow(t, quality, from, 500)
	done()
}

// Check EVT-09: while the event servers are away, changes are taken and their facts wait, which the metrics tell; afterwards all
// of them come, none twice, and other parts go on with them.
func factsWaitForTheEventServers(t *testing.T, stage *harness.Stage, servers *harness.EventServer, admin string) {
	quality := stage.SignIn(t, "quality")
	from := newest(t, quality)
	if at := waitingSince(t, admin); at != 0 {
		t.Errorf("facts wait since %v before the servers go away", at)
	}
	servers.Stop()
	orders(t, stage, 4, 25)()
	oldest := waitingSince(t, admin)
	if at := time.Unix(int64(oldest), 0); oldest == 0 {
		t.Error("the metrics do not tell that facts wait")
	} else if again := waitingSince(t, admin); again != oldest {
		t.Errorf("the oldest fact waits since %v, then since %v", at, again)
	}
	servers.Again()
	follow(t, quality, from, 200)
	for limit := clock.System().Now().Add(time.Minute); waitingSince(t, admin) != 0; {
		if clock.System().Now().After(limit) {
			t.Fatal("facts still wait")
		}
	}
	scheduled(t, stage.SignIn(t, "planner")) // stores hear of it and answer
}

// waitingSince is when the oldest fact of work orders happened that the event stream does not have, in Unix time; 0 for none.
func waitingSince(t *testing.T, admin string) float64 {
	t.Helper()
	for line := range strings.Lines(fetch(t, fmt.Sprintf("http://%s/metrics", admin))) {
		if strings.HasPrefix(line, "coldsection_outbox_oldest_timestamp_seconds{") && strings.Contains(line, `part="workorders"`) {
			fields := strings.Fields(line)
			seconds, err := strconv.ParseFloat(fields[len(fields)-1], 64)
			if err != nil {
				t.Fatal(err)
			}
			return seconds
		}
	}
	t.Fatal("the metrics lack the oldest fact")
	return 0
}
