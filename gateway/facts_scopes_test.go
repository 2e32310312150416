package gateway_test

import (
	"context"
	"encoding/csv"
	"fmt"
	"maps"
	"os"
	"slices"
	"strings"
	"testing"
	"time"

	accessv1 "coldsection.example/proto/coldsection/access/v1"
	consumablesv1 "coldsection.example/proto/coldsection/consumables/v1"
	"coldsection.example/services/platform/facts"
	"coldsection.example/services/platform/outbox"
)

// everyType are all registered types of facts.
func everyType(t *testing.T) []string {
	t.Helper()
	file, err := os.Open("../integration/scenarios/testdata/facts.csv")
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = file.Close() }()
	rows, err := csv.NewReader(file).ReadAll()
	if err != nil || len(rows) < 70 {
		t.Fatalf("%d rows, %v", len(rows), err)
	}
	var types []string
	for _, row := range rows[1:] {
		types = append(types, row[0])
	}
	return types
}

// tellAll puts a fact of every type into the stream and returns the types.
func (w *world) tellAll() []string {
	w.t.Helper()
	types := everyType(w.t)
	for i, typ := range types {
		w.tell(fmt.Sprintf("fact-%02d", i), typ)
	}
	return types
}

func (w *world) tell(id, typ string) {
	w.t.Helper()
	e := outbox.New(id, w.clock.Now(), "test", typ, "things/"+id, &consumablesv1.StockMoved{Movement: id})
	e.Version = 1
	if err := w.bus.Publish(w.t.Context(), e); err != nil {
		w.t.Fatal(err)
	}
}

// mayRead are the types of these that a key of the areas may read; none is all.
func mayRead(types, areas []string) []string {
	out := slices.DeleteFunc(slices.Clone(types), func(typ string) bool { return len(areas) > 0 && !slices.Contains(areas, facts.Of(typ)) })
	slices.Sort(out)
	return out
}

func sorted(types []string) []string { slices.Sort(types); return types }

// listed pulls the whole feed over gRPC.
func (w *world) listed(token string) (types []string) {
	w.t.Helper()
	for after := ""; ; {
		page, err := accessv1.NewEventsServiceClient(w.conn).ListEvents(w.as(token), &accessv1.ListEventsRequest{After: after, PageSize: 10})
		if err != nil {
			w.t.Fatal(err)
		}
		for _, e := range page.GetEvents() {
			types = append(types, e.GetType())
		}
		if after == page.GetNextCursor() {
			return types
		}
		after = page.GetNextCursor()
	}
}

// pulled is the feed over REST, in one page.
func (w *world) pulled(token string) (types []string) {
	w.t.Helper()
	status, page, _ := w.rest("GET", "/v1/events?pageSize=1000", token, "")
	events, _ := page["events"].([]any)
	for _, e := range events {
		event, _ := e.(map[string]any)
		typ, _ := event["type"].(string)
		types = append(types, typ)
	}
	if _, newest, err := w.bus.Bounds(w.t.Context()); status != 200 || err != nil || page["nextCursor"] != fmt.Sprintf("%020d", newest) {
		w.t.Errorf("%d, up to %v, want the end of the feed, %d", status, page["nextCursor"], newest)
	}
	return types
}

// watched streams the feed until the last fact that the caller may read, or for one that reads nothing not at all.
func (w *world) watched(token string, count int) (types []string) {
	w.t.Helper()
	ctx, stop := context.WithTimeout(w.as(token), 5*time.Minute) // of nothing but patience
	defer stop()
	stream, err := accessv1.NewEventsServiceClient(w.conn).WatchEvents(ctx, &accessv1.WatchEventsRequest{})
	for err == nil && len(types) < count {
		var next *accessv1.WatchEventsResponse
		if next, err = stream.Recv(); err == nil {
			types = append(types, next.GetEvent().GetType())
		}
	}
	if err != nil {
		w.t.Fatal(err)
	}
	return types
}

// hooked are the types that an endpoint made with this token is sent, and the name of the endpoint.
func (w *world) hooked(token, id string) (types []string, name string) {
	w.t.Helper()
	r := newReceiver(w.t)
	e, err := w.hooks().CreateWebhookEndpoint(w.as(token), &accessv1.CreateWebhookEndpointRequest{
		WebhookEndpointId: id, WebhookEndpoint: &accessv1.WebhookEndpoint{DisplayName: id, Url: r.URL}, StartCursor: fmt.Sprintf("%020d", 0),
	})
	if err != nil {
		w.t.Fatal(err)
	}
	w.deliver()
	for _, c := range r.got() {
		_, rest, _ := strings.Cut(c.body, `"type":"`)
		typ, _, _ := strings.Cut(rest, `"`)
		types = append(types, typ)
	}
	return types, e.GetName()
}

// The matrix of scopes and types of facts, by every way that facts leave the house. It is made of the registered types, so a new one is in it.
func TestAKeyGetsFactsOfItsAreasOnly(t *testing.T) {
	w := newWorld(t)
	types := w.tellAll()
	for i, areas := range [][]string{nil, {"access"}, {"access", "consumables"}, {"access", "compliance", "performance"}, {"access", "workorders"}} {
		var scopes []string
		for _, area := range areas {
			scopes = append(scopes, "area:"+area)
		}
		_, key := w.machine([]string{"integrator"}, scopes...)
		want := mayRead(types, areas)
		if got := sorted(w.pulled(key)); !slices.Equal(got, want) {
			t.Errorf("%v over REST: %v, want %v", areas, got, want)
		}
		if got := sorted(w.listed(key)); !slices.Equal(got, want) {
			t.Errorf("%v over gRPC: %v, want %v", areas, got, want)
		}
		if got := sorted(w.watched(key, len(want))); !slices.Equal(got, want) {
			t.Errorf("%v on a stream: %v, want %v", areas, got, want)
		}
		got, name := w.hooked(key, fmt.Sprintf("hook-%d", i))
		if got = sorted(got); !slices.Equal(got, want) {
			t.Errorf("%v by webhook: %v, want %v", areas, got, want)
		}
		if _, err := w.hooks().DeleteWebhookEndpoint(w.as(w.admin), &accessv1.DeleteWebhookEndpointRequest{Name: name}); err != nil {
			t.Fatal(err)
		}
	}
}

// Asking for what may not be read is refused by each door; a narrowed token of a wide key is narrow, too.
func TestFactsOfAnotherAreaAreRefusedByName(t *testing.T) {
	w := newWorld(t)
	_, key := w.machine([]string{"integrator"}, "area:access")
	ctx, stock := w.as(key), []string{"coldsection.stock.*"}
	events := accessv1.NewEventsServiceClient(w.conn)
	_, listErr := events.ListEvents(ctx, &accessv1.ListEventsRequest{Types: stock})
	stream, watchErr := events.WatchEvents(ctx, &accessv1.WatchEventsRequest{Types: stock})
	if watchErr == nil {
		_, watchErr = stream.Recv()
	}
	_, hookErr := w.hooks().CreateWebhookEndpoint(ctx, &accessv1.CreateWebhookEndpointRequest{
		WebhookEndpoint: &accessv1.WebhookEndpoint{DisplayName: "x", Url: "https://erp.example.com", Types: stock},
	})
	for way, err := range map[string]error{"list": listErr, "watch": watchErr, "webhook": hookErr} {
		if reasonOf(err) != "SCOPE_MISSING" || !strings.Contains(err.Error(), "coldsection.stock.*") {
			t.Errorf("%s: %v", way, err)
		}
	}
	if status, problem, _ := w.rest("GET", "/v1/events?types=coldsection.stock.*", key, ""); status != 403 || problem["reason"] != "SCOPE_MISSING" {
		t.Errorf("%d %v", status, problem)
	}
	viewer := w.hire("vera", "viewer")
	if _, err := events.ListEvents(w.as(viewer), &accessv1.ListEventsRequest{Types: []string{"coldsection.access.break_glass.*"}}); reasonOf(err) != "ROLE_MISSING" {
		t.Errorf("a viewer asks for the glass: %v", err)
	}
}

// An account that may read nothing else still has its facts by the roles it has, at each door.
func TestSomeFactsOfTheDoorAreForSomeRoles(t *testing.T) {
	w := newWorld(t)
	w.tell("f1", "coldsection.access.webhook.disabled.v1")
	w.tell("f2", "coldsection.access.posting.acknowledged.v1")
	w.tell("f3", "coldsection.access.break_glass.opened.v1")
	w.tell("f4", "coldsection.stock.issued.v1")
	for role, want := range map[string]int{"viewer": 1, "planner": 2, "quality": 3, "integrator": 4} {
		token := w.hire(role+"s", role)
		if got := w.pulled(token); len(got) != want {
			t.Errorf("%s has %v, want %d facts", role, got, want)
		}
	}
}

// What was given with a key goes with it: revoked, ended or narrowed away by a role that the account lost, the endpoint stops and says why; another
// who may takes it over, and nothing was lost.
func TestAnEndpointStopsWithItsKey(t *testing.T) {
	accounts := func(w *world) accessv1.AccessServiceClient { return accessv1.NewAccessServiceClient(w.conn) }
	for name, c := range map[string]struct {
		roles, scopes []string
		take          func(w *world, key string) error
		told          string
	}{
		"the key is revoked": {[]string{"integrator"}, []string{"area:access", "area:consumables"}, func(w *world, key string) error {
			_, err := accounts(w).RevokeApiKey(w.as(w.admin), &accessv1.RevokeApiKeyRequest{Name: key})
			return err
		}, "was revoked or has ended"},
		"the role of the key is taken away": {[]string{"integrator", "admin"}, []string{"role:integrator"}, func(w *world, key string) error {
			account, _, _ := strings.Cut(key, "/apiKeys/")
			_, err := accounts(w).UpdateAccount(w.as(w.admin), &accessv1.UpdateAccountRequest{Account: &accessv1.Account{Name: account, Roles: []string{"admin"}}})
			return err
		}, "may not have endpoints any more"},
	} {
		t.Run(name, func(t *testing.T) {
			w, r := newWorld(t), newReceiver(t)
			key, secret := w.machine(c.roles, c.scopes...)
			made, err := w.hooks().CreateWebhookEndpoint(w.as(secret), &accessv1.CreateWebhookEndpointRequest{
				WebhookEndpointId: "erp", WebhookEndpoint: &accessv1.WebhookEndpoint{DisplayName: "ERP", Url: r.URL},
			})
			if err != nil || made.GetResponsibleKey() != key || !slices.Equal(made.GetScopes(), c.scopes) {
				t.Fatalf("%v, %v", made, err)
			}
			w.happen("lots/a", "f1")
			w.deliver()
			if err := c.take(w, key); err != nil {
				t.Fatal(err)
			}
			w.happen("lots/a", "f2")
			w.deliver()
			e := w.endpoint()
			if n := len(r.got()); n != 1 || e.GetState() != accessv1.WebhookEndpoint_DISABLED || !strings.Contains(e.GetDisableReason(), c.told) {
				t.Errorf("%d messages, %v: %s", n, e.GetState(), e.GetDisableReason())
			}
			if _, err := w.hooks().EnableWebhookEndpoint(w.as(w.admin), &accessv1.EnableWebhookEndpointRequest{Name: e.GetName()}); err != nil {
				t.Fatal(err)
			}
			w.deliver()
			if e = w.endpoint(); len(r.got()) != 2 || e.GetResponsibleKey() != "" || len(e.GetScopes()) != 0 {
				t.Errorf("taken over: %d messages, %v", len(r.got()), e)
			}
		})
	}
}

// A token of the client credentials grant is narrower than its key, and so is the endpoint that it makes.
func TestAnEndpointIsAsNarrowAsTheTokenThatMadeIt(t *testing.T) {
	w, r := newWorld(t), newReceiver(t)
	key, secret := w.machine([]string{"integrator"})
	_, answer, _ := w.grant(key, secret, map[string][]string{"grant_type": {"client_credentials"}, "scope": {"area:access area:workorders"}})
	token, _ := answer["access_token"].(string)
	made, err := w.hooks().CreateWebhookEndpoint(w.as(token), &accessv1.CreateWebhookEndpointRequest{
		WebhookEndpointId: "erp", WebhookEndpoint: &accessv1.WebhookEndpoint{DisplayName: "ERP", Url: r.URL},
	})
	if err != nil || made.GetResponsibleKey() != key {
		t.Fatalf("%v, %v", made, err)
	}
	w.happen("lots/a", "f1")
	w.tell("f2", "coldsection.workorder.started.v1")
	w.deliver()
	if got := r.got(); len(got) != 1 || got[0].id() != "f2" {
		t.Errorf("%d messages: %v", len(got), got)
	}
}

// Messages that were taken when somebody else answered are not sent beyond what the one who answers now may let out: they fail and say why.
// Who may not read the fact does not find the delivery, reads no body of it and sends it nowhere.
func TestWhatWaitsIsHeldToWhoAnswersNow(t *testing.T) {
	w, r := newWorld(t), newReceiver(t, 500)
	w.subscribe(r)
	w.happen("lots/a", "f1")
	w.deliver()
	_, narrow := w.machine([]string{"integrator"}, "area:access")
	if _, err := w.hooks().EnableWebhookEndpoint(w.as(narrow), &accessv1.EnableWebhookEndpointRequest{Name: "webhookEndpoints/erp"}); err != nil {
		t.Fatal(err)
	}
	w.deliver()
	d := w.delivery()
	if last := d.GetAttempts()[len(d.GetAttempts())-1]; len(r.got()) != 1 || d.GetState() != accessv1.WebhookDelivery_FAILED || !strings.Contains(last.GetProblem(), "may not let out") {
		t.Errorf("%d messages, %v", len(r.got()), d)
	}
	if w.endpoint().GetWaitingCount() != 0 {
		t.Errorf("%v", w.endpoint())
	}
	_, getErr := w.hookReader().GetWebhookDelivery(w.as(narrow), &accessv1.GetWebhookDeliveryRequest{Name: d.GetName()})
	_, noneErr := w.hookReader().GetWebhookDelivery(w.as(narrow), &accessv1.GetWebhookDeliveryRequest{Name: "webhookEndpoints/erp/deliveries/xx"})
	_, replayErr := w.hooks().ReplayWebhookDelivery(w.as(narrow), &accessv1.ReplayWebhookDeliveryRequest{Name: d.GetName()})
	if reasonOf(getErr) != "NOT_FOUND" || reasonOf(replayErr) != "NOT_FOUND" || strings.ReplaceAll(getErr.Error(), "/f1", "/xx") != noneErr.Error() {
		t.Errorf("read: %v; one that is not there: %v; replayed: %v", getErr, noneErr, replayErr)
	}
	for token, want := range map[string]int{narrow: 0, w.admin: 1} {
		for _, parent := range []string{"webhookEndpoints/erp", "webhookEndpoints/-"} {
			list, err := w.hookReader().ListWebhookDeliveries(w.as(token), &accessv1.ListWebhookDeliveriesRequest{Parent: parent})
			if err != nil || len(list.GetWebhookDeliveries()) != want {
				t.Errorf("%s: %v, %v, want %d", parent, list, err, want)
			}
		}
	}
}

// Postings are seen, acknowledged, counted and summed by keys of their area only; others learn of none.
func TestPostingsAreThoseOfTheKeysAreas(t *testing.T) {
	w := newWorld(t)
	w.tell("f1", "coldsection.stock.issued.v1")
	w.tell("f2", "coldsection.workorder.released.v1")
	const day = "startDate.year=2026&startDate.month=3&startDate.day=1"
	for scope, want := range map[string][]string{
		"area:consumables": {"postings/f1"}, "area:workorders": {"postings/f2"}, "area:performance": nil, "": {"postings/f1", "postings/f2"},
	} {
		scopes := []string{}
		if scope != "" {
			scopes = []string{"area:access", scope}
		}
		_, key := w.machine([]string{"integrator"}, scopes...)
		var names []string
		_, list, _ := w.rest("GET", "/v1/postings", key, "")
		rows, _ := list["postings"].([]any)
		for _, row := range rows {
			posting, _ := row.(map[string]any)
			name, _ := posting["name"].(string)
			names = append(names, name)
		}
		if !slices.Equal(names, want) {
			t.Errorf("%s lists %v, want %v", scope, names, want)
		}
		for _, view := range []string{"reconcile", "total"} {
			_, answer, _ := w.rest("GET", "/v1/postings:"+view+"?"+day, key, "")
			if lines, _ := answer["lines"].([]any); len(lines) != len(want) || answer["cursor"] != fmt.Sprintf("%020d", 2) {
				t.Errorf("%s, %s: %v", scope, view, answer)
			}
		}
		for _, name := range []string{"postings/f1", "postings/f2"} {
			status, _, _ := w.rest("GET", "/v1/"+name, key, "")
			said, _, _ := w.rest("POST", "/v1/"+name+":acknowledge", key, `{"document":"4711"}`)
			batch, _, _ := w.rest("POST", "/v1/postings:batchAcknowledge", key, `{"requests":[{"name":"`+name+`","document":"4711"}]}`)
			got := map[int]bool{status: true, said: true, batch: true}
			if seen := slices.Contains(want, name); len(got) != 1 || got[200] != seen || got[404] == seen {
				t.Errorf("%s, %s: %v", scope, name, slices.Sorted(maps.Keys(got)))
			}
		}
	}
}
