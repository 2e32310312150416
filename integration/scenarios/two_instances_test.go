package scenarios

import (
	"fmt"
	"net/http"
	"sync"
	"testing"
	"time"

	"coldsection.example/integration/harness"
	"coldsection.example/services/platform/clock"
)

// Cases D1, D3, D4 and D5 where two processes of every part run on PostgreSQL: which of them a call reaches makes no difference to what a key or an
// acknowledgement does.
func TestTwoInstancesDoAsOne(t *testing.T) {
	stage := harness.Distributed(t)
	one := keeper(t, stage)
	must(t, one.REST("PATCH", "/v1/accounts/admin?updateMask=roles", map[string]any{"roles": []string{"admin", "planner", "quality", "stores", "integrator"}}))
	elsewhere := &harness.Stage{HTTP: stage.HTTP[1:], GRPC: stage.GRPC[1:]}
	other := elsewhere.Stranger(t)
	other.Token = one.Token
	both := []*harness.Person{one, other}
	t.Run("one key at both at once", func(t *testing.T) { oneKeyAtBoth(t, both) })
	t.Run("the answer is lost and the other is asked", func(t *testing.T) { theOtherIsAsked(t, both) })
	t.Run("one key for two methods", func(t *testing.T) { oneKeyTwoMethods(t, both) })
	t.Run("a key with other content", func(t *testing.T) { otherContent(t, both) })
	t.Run("a fact is booked once", func(t *testing.T) { bookedOnce(t, both) })
	t.Run("two documents for one posting", func(t *testing.T) { twoDocuments(t, both) })
}

// atOnce makes a call so many times at each, all at once, and gives their answers.
func atOnce(both []*harness.Person, times int, call func(who *harness.Person, at, n int) harness.Answer) []harness.Answer {
	answers := make([]harness.Answer, len(both)*times)
	var all sync.WaitGroup
	for i := range answers {
		all.Go(func() { answers[i] = call(both[i%len(both)], i%len(both), i/len(both)) })
	}
	all.Wait()
	return answers
}

func patiently(who *harness.Person, key string) harness.Answer {
	return who.REST("POST", "/v1/lots:receive", map[string]any{
		"lot": map[string]any{"item": "items/brush", "manufacturerLot": key}, "quantity": quantity("1", "L"), "location": "locations/shelf",
	}, "Idempotency-Key", key)
}

// oneKeyAtBoth sends one request under one key to both at once: one effect, one answer, and all but one are told that it was given before.
func oneKeyAtBoth(t *testing.T, both []*harness.Person) {
	for round := range 4 {
		key := fmt.Sprintf("at-once-%d", round)
		fresh, names := 0, map[string]int{}
		for _, a := range atOnce(both, 15, func(who *harness.Person, _, _ int) harness.Answer { return patiently(who, key) }) {
			if a.Status != http.StatusOK {
				t.Errorf("%d %v", a.Status, a.Body)
				continue
			}
			names[jsonText(t, a.Body)]++
			if a.Header.Get("Idempotency-Replayed") == "" {
				fresh++
			}
		}
		if n := lots(t, both[0])[key]; n != 1 || fresh != 1 || len(names) != 1 {
			t.Errorf("%d lots, %d answers that were the first, %d different ones", n, fresh, len(names))
		}
	}
}

// theOtherIsAsked gives up calls at one before or after they had their effect, and repeats each at the other.
func theOtherIsAsked(t *testing.T, both []*harness.Person) {
	replayed := 0
	for i, patience := range []string{"1m", "2m", "4m", "8m", "12m", "16m", "24m", "32m", "48m", "64m"} {
		key := "lost-" + patience
		body := map[string]any{
			"lot": map[string]any{"item": "items/brush", "manufacturerLot": key}, "quantity": quantity("1", "L"), "location": "locations/shelf",
		}
		first, second := both[i%2], both[(i+1)%2]
		lost := first.REST("POST", "/v1/lots:receive", body, "Idempotency-Key", key, "Grpc-Timeout", patience)
		again := patiently(second, key)
		if again.Status != http.StatusOK {
			t.Errorf("%s: %d, then %d %v", patience, lost.Status, again.Status, again.Body)
		}
		if again.Header.Get("Idempotency-Replayed") != "" {
			replayed++
		} else if lost.Status == http.StatusOK {
			t.Errorf("%s: both say that they did it", patience)
		}
		if n := lots(t, first)[key]; n != 1 {
			t.Errorf("%s: %d lots", patience, n)
		}
	}
	t.Logf("%d of 10 had their effect although their answer was given up, or before it was asked for again", replayed)
}

// oneKeyTwoMethods uses a key for two methods at once, which have nothing to do with each other.
func oneKeyTwoMethods(t *testing.T, both []*harness.Person) {
	const key = "for-two-methods"
	answers := atOnce(both, 4, func(who *harness.Person, at, _ int) harness.Answer {
		if at == 0 {
			return patiently(who, key)
		}
		return who.REST("POST", "/v1/locations?locationId=second", map[string]any{"displayName": "Second", "kind": "BIN", "timeZone": "Europe/Oslo"}, "Idempotency-Key", key)
	})
	for _, a := range answers {
		if a.Status != http.StatusOK {
			t.Errorf("%d %v", a.Status, a.Body)
		}
	}
	if n := lots(t, both[0])[key]; n != 1 {
		t.Errorf("%d lots", n)
	}
}

// otherContent sends requests of two contents under one key, each to one of both: one of them has its effect, and every other is told.
func otherContent(t *testing.T, both []*harness.Person) {
	said := map[string]int{}
	for _, a := range atOnce(both, 8, func(who *harness.Person, at, _ int) harness.Answer {
		return who.REST("POST", "/v1/lots:receive", map[string]any{
			"lot": map[string]any{"item": "items/brush", "manufacturerLot": "other-content"}, "quantity": quantity([]string{"1", "2"}[at], "L"), "location": "locations/shelf",
		}, "Idempotency-Key", "other-content")
	}) {
		said[fmt.Sprint(a.Status, " ", a.Reason())]++
	}
	if n := lots(t, both[0])["other-content"]; n != 1 || said["200 "] != 8 || said["422 IDEMPOTENCY_KEY_REUSED"] != 8 {
		t.Errorf("%d lots; %v", n, said)
	}
}

// waiting are the postings of lots that wait, as somebody reads them once there are so many.
func waiting(t *testing.T, who *harness.Person, want int) []any {
	t.Helper()
	for limit := clock.System().Now().Add(time.Minute); ; {
		found := elements(must(t, who.REST("GET", "/v1/postings?pageSize=1000&filter=event_type%3Dcoldsection.stock.lot.received.v1", nil)), "postings")
		if len(found) >= want {
			return found
		}
		if clock.System().Now().After(limit) {
			t.Fatalf("%d postings, want %d", len(found), want)
		}
	}
}

// bookedOnce lets both make postings of the same facts at once.
func bookedOnce(t *testing.T, both []*harness.Person) {
	want := len(lots(t, both[0]))
	atOnce(both, 6, func(who *harness.Person, _, n int) harness.Answer {
		if n == 0 {
			return patiently(who, "booked")
		}
		return who.REST("GET", "/v1/postings", nil)
	})
	for _, who := range both {
		if found := waiting(t, who, want+1); len(found) != want+1 {
			t.Errorf("%d postings of %d lots", len(found), want+1)
		}
	}
}

// twoDocuments acknowledges one posting at both at once with documents that differ: one stands, all others are refused, and each says the same again
// without effect.
func twoDocuments(t *testing.T, both []*harness.Person) {
	rows := waiting(t, both[0], 4)
	for round := range 4 {
		row, _ := rows[round].(map[string]any)
		name := text(row, "name")
		taken := map[string]int{}
		for _, a := range atOnce(both, 10, func(who *harness.Person, at, _ int) harness.Answer {
			return who.REST("POST", "/v1/"+name+":acknowledge", map[string]any{"document": fmt.Sprintf("doc-%d", at)})
		}) {
			switch {
			case a.Status == http.StatusOK:
				said := elements(a.Body, "acknowledgements")
				last, _ := said[len(said)-1].(map[string]any)
				taken[text(last, "document")]++
				if len(said) != 1 {
					t.Errorf("it is acknowledged %d times: %v", len(said), said)
				}
			case a.Reason() != "POSTING_ACKNOWLEDGED":
				t.Errorf("%d %v", a.Status, a.Body)
			}
		}
		if len(taken) != 1 {
			t.Errorf("%s is booked as %v", name, taken)
		}
	}
}
