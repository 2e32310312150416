package scenarios

import (
	"net/http"
	"net/url"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"coldsection.example/integration/harness"
	"coldsection.example/services/platform/clock"
)

// What a network between parts may cost those who call.
const (
	inVain    = 2 * time.Second  // what a call of these tests may take
	slackOf   = 8 * time.Second  // more than inVain, for machines that are busy with other tests
	recovered = 10 * time.Second // until calls are answered again once the network is well
)

// through is the address of something behind a wire.
func through(t *testing.T, address string) (string, *harness.Wire) {
	t.Helper()
	u, err := url.Parse(address)
	if err != nil {
		t.Fatal(err)
	}
	wire := harness.NewWire(t, u.Host)
	u.Host = wire.Address
	return u.String(), wire
}

// keeper is somebody who plans, keeps stores and sees all, in a suite that has a shelf and an item.
func keeper(t *testing.T, stage *harness.Stage) *harness.Person {
	t.Helper()
	who := administrator(t, stage)
	must(t, who.REST("PATCH", "/v1/accounts/admin?updateMask=roles", map[string]any{"roles": []string{"admin", "planner", "quality", "stores"}}))
	must(t, who.REST("POST", "/v1/locations?locationId=shelf", map[string]any{"displayName": "Shelf", "kind": "BIN", "timeZone": "Europe/Oslo"}))
	must(t, who.REST("POST", "/v1/items?itemId=brush", map[string]any{"displayName": "Brush", "kind": "OTHER", "baseUnitCode": "L", "noLifeLimit": true, "demonstrationOnly": true}))
	return who
}

// receive books a lot in under a key, with as long as a call of these tests may take.
func receive(who *harness.Person, key string) harness.Answer {
	return who.REST("POST", "/v1/lots:receive", map[string]any{
		"lot": map[string]any{"item": "items/brush", "manufacturerLot": key}, "quantity": quantity("1", "L"), "location": "locations/shelf",
	}, "Idempotency-Key", `"`+key+`-0c7a41de-8f0e-4f52"`, "Grpc-Timeout", "2S")
}

// lots are the lots that were received, by the manufacturer's number.
func lots(t *testing.T, who *harness.Person) map[string]int {
	t.Helper()
	found := map[string]int{}
	for _, r := range elements(must(t, who.REST("GET", "/v1/lots?pageSize=1000", nil)), "lots") {
		lot, _ := r.(map[string]any)
		found[text(lot, "manufacturerLot")]++
	}
	return found
}

// unavailable sees that a call ended as one that may be sent again, before its time was long over.
func unavailable(t *testing.T, what string, call func() harness.Answer) {
	t.Helper()
	began := clock.System().Now()
	a := call()
	if took := clock.System().Now().Sub(began); took > inVain+slackOf {
		t.Errorf("%s: it took %v to say %d %v", what, took, a.Status, a.Body)
	}
	if a.Status != http.StatusServiceUnavailable && a.Status != http.StatusGatewayTimeout {
		t.Errorf("%s: %d %v", what, a.Status, a.Body)
	}
	checkProblem(t, what, a)
}

// again repeats a call until it succeeds.
func again(t *testing.T, what string, call func() harness.Answer) harness.Answer {
	t.Helper()
	began := clock.System().Now()
	for {
		a := call()
		took := clock.System().Now().Sub(began)
		if a.Status == http.StatusOK {
			if took > recovered+slackOf {
				t.Errorf("%s: it took %v until it was answered again", what, took)
			}
			return a
		}
		if took > time.Minute {
			t.Fatalf("%s: after %v still %d %v", what, took, a.Status, a.Body)
		}
	}
}

// Case E12 for the event servers and for the services: changes are taken while event servers can't be reached and their facts come afterwards; while
// services can't be reached the gateway says so in time, also where what is sent vanishes, and serves again soon after.
func TestTheNetworkBetweenPartsFails(t *testing.T) {
	events, toEvents := through(t, harness.OneEventServer(t).URL)
	stage, toServices := behindWires(t, events)
	who := keeper(t, stage)
	from := newest(t, who)
	for what, fail := range map[string]func(){
		"cut": toEvents.Cut, "swallowed": func() { toEvents.Swallow(harness.ToServer, harness.ToClient) }, "acknowledgements-swallowed": func() { toEvents.Swallow(harness.ToClient) },
	} {
		fail()
		if a := receive(who, what); a.Status != http.StatusOK {
			t.Errorf("%s: %d %v", what, a.Status, a.Body)
		}
		toEvents.Heal()
	}
	factsOfLots(t, who, from, 3)
	for what, fail := range map[string]func(){
		"services-cut":       toServices.Cut,
		"services-swallowed": func() { toServices.Swallow(harness.ToServer, harness.ToClient) },
		"answers-swallowed":  func() { toServices.Swallow(harness.ToClient) },
	} {
		t.Run(what, func(t *testing.T) {
			fail()
			unavailable(t, "a change", func() harness.Answer { return receive(who, what) })
			toServices.Heal()
			again(t, "the change", func() harness.Answer { return receive(who, what) })
		})
	}
	for what, n := range lots(t, who) {
		if n != 1 {
			t.Errorf("%q was received %d times", what, n)
		}
	}
}

// behindWires is a gateway and, in another process, the services, with a wire between them; both reach the event servers at an address, and have the further arguments.
func behindWires(t *testing.T, events string, more ...string) (*harness.Stage, *harness.Wire) {
	t.Helper()
	secret, address := filepath.Join(t.TempDir(), "secret"), harness.Address(t)
	if err := os.WriteFile(secret, []byte(strings.Repeat("5ec7e7", 12)+"\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	wire := harness.NewWire(t, address)
	stage := &harness.Stage{HTTP: harness.Addresses(t, 1), GRPC: harness.Addresses(t, 1)}
	common := append([]string{"--nats", events, "--replicas", "1", "--secret", secret}, more...)
	serving := append([]string{"serve", "compliance", "consumables", "performance", "workorders", "--state", t.TempDir(), "--listen", "consumables=" + address}, common...)
	calling := append([]string{"serve", "gateway", "--state", t.TempDir(), "--http", stage.HTTP[0], "--grpc", stage.GRPC[0], "--address", "consumables=" + wire.Address}, common...)
	for _, part := range []string{"compliance", "performance", "workorders"} {
		own := harness.Address(t)
		serving, calling = append(serving, "--listen", part+"="+own), append(calling, "--address", part+"="+own)
	}
	stage.Processes = []*harness.Process{harness.Start(t, serving...), harness.Start(t, calling...)}
	return stage, wire
}

// factsOfLots waits until the feed told of so many lots that were received.
func factsOfLots(t *testing.T, who *harness.Person, cursor string, want int) {
	t.Helper()
	seen := map[string]bool{}
	for limit := clock.System().Now().Add(2 * time.Minute); len(seen) < want; {
		page := who.REST("GET", "/v1/events?wait=5s&types=coldsection.stock.lot.received.v1&after="+cursor, nil)
		if clock.System().Now().After(limit) {
			t.Fatalf("only %d of %d facts came: %d %v", len(seen), want, page.Status, page.Body)
		}
		if page.Status != http.StatusOK {
			continue
		}
		for _, e := range elements(page.Body, "events") {
			event, _ := e.(map[string]any)
			if seen[text(event, "id")] {
				t.Errorf("%v came twice", event)
			}
			seen[text(event, "id")] = true
		}
		cursor = text(page.Body, "nextCursor")
	}
}
