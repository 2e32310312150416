package scenarios

import (
	"context"
	"encoding/json"
	"fmt"
	"net/http"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/chromedp"
	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
	"google.golang.org/grpc"
	"google.golang.org/grpc/credentials/insecure"

	workordersv1 "coldsection.example/proto/coldsection/workorders/v1"

	"coldsection.example/integration/harness"
	"coldsection.example/services/platform/auth"
	"coldsection.example/services/platform/clock"
	"coldsection.example/services/platform/eventbus"
	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/rpc"
	"coldsection.example/services/suite/story"
)

// door is a way in, tried by somebody who signed in: it inspects an order and answers with the reason of the refusal, "" for none; the
// proof in the request is fresh, and stays so because a refusal uses none up.
type door func(t *testing.T, who *harness.Person, inspection map[string]any) string

// The two-person rule holds at every way into the running suite: whoever took part in the work, by a step or by a signature, inspects it
// neither over gRPC nor over REST, nor from a page of the console, nor with a second account, nor at the service's own port; facts that
// are sent again, or made up, over the real event servers move nothing; there is no import of orders. Everybody else needs the role.
func TestTheTwoPersonRuleHasNoWayAround(t *testing.T) {
	events, port := harness.OneEventServer(t).URL, harness.Addresses(t, 1)[0] // one that knows no rights, so that facts can be made up
	stage := harness.OneProcessWith(t, "--nats", events, "--replicas", "1", "--listen", "workorders="+port)
	out := play(t, stage, nil)
	hire(t, stage, "dual", "people/dual", "technician", "inspector", "releaser")
	hire(t, stage, "dual-two", "people/dual", "inspector")
	doors := map[string]door{"rest": overREST, "grpc": overGRPC(stage.Conn(t)), ownPort: atOwnPort(t, port)}
	quality, inspector := stage.SignIn(t, "quality"), stage.SignIn(t, "inspector")
	for _, part := range []string{"step", "signature"} {
		order := worked(t, stage, part)
		for login, rule := range map[string]string{
			"technician": "ROLE_MISSING", "releaser": "ROLE_MISSING", "quality": "ROLE_MISSING", "dual": "SAME_PERSON", "dual-two": "SAME_PERSON",
		} {
			who := stage.SignIn(t, login)
			request := inspection(t, who, order)
			for name, enter := range doors {
				want := rule
				if name == ownPort {
					want = "NOT_SIGNED_IN IDENTITY_INVALID" // it takes the gateway's word for who calls, and nobody else's
				}
				if reason := enter(t, who, request); reason != want {
					t.Errorf("%s inspects what people/dual took part in by %s, through %s: %q, want %s", login, part, name, reason, want)
				}
			}
			unmoved(t, quality, order, "FINISHED")
		}
		fromTheConsole(t, stage, order)
		replayed(t, events, order, out.WorkOrder)
		unmoved(t, quality, order, "FINISHED")
		unmoved(t, quality, out.WorkOrder, "RELEASED")
		if reason := overREST(t, inspector, inspection(t, inspector, order)); reason != "" {
			t.Errorf("the inspector took no part by %s and is refused: %s", part, reason)
		}
		unmoved(t, quality, order, "INSPECTED")
	}
}

// hire adds an account of a person with roles, and the person when new, authorized for everything.
func hire(t *testing.T, stage *harness.Stage, login, person string, roles ...string) {
	t.Helper()
	admin, quality := stage.SignIn(t, "admin"), stage.SignIn(t, "quality")
	if admin.REST("GET", "/v1/"+person, nil).Status == http.StatusNotFound {
		must(t, admin.REST("POST", "/v1/people?personId="+strings.TrimPrefix(person, "people/"), map[string]any{"displayName": "Two Hats", "certificate": "Demonstration licence B1-1009"}))
		for _, scope := range []string{"perform", "inspect", "release"} {
			must(t, quality.REST("POST", "/v1/"+person+"/authorizations?authorizationId="+scope, map[string]any{
				"scope": scope, "startDate": firstOf(2026, 1), "endDate": firstOf(2028, 1), "lastExperienceDate": firstOf(2026, 9), "reference": "DEMO-" + scope,
			}))
		}
	}
	account := must(t, admin.REST("POST", "/v1/accounts?accountId="+login, map[string]any{"login": login, "displayName": login, "person": person, "roles": roles, "kind": "HUMAN"}))
	token := text(must(t, admin.REST("POST", "/v1/"+text(account, "name")+":invite", map[string]any{})), "token")
	must(t, stage.Stranger(t).REST("POST", "/v1/invitations:accept", map[string]any{"token": token, "password": story.Password}))
}

// firstOf is the first day of a month.
func firstOf(year, month int) map[string]any {
	return map[string]any{"year": year, "month": month, "day": 1}
}

// worked is a finished order that wants an inspection, in which people/dual took part in one way.
func worked(t *testing.T, stage *harness.Stage, part string) string {
	t.Helper()
	planner, technician, dual := stage.SignIn(t, "planner"), stage.SignIn(t, "technician"), stage.SignIn(t, "dual")
	doing, signing := dual, technician
	if part == "signature" {
		doing, signing = technician, dual
	}
	must(t, planner.REST("POST", "/v1/taskCards?taskCardId=two-people", map[string]any{
		"displayName": "Two people", "kind": "OTHER", "inspectionRequired": true, "document": map[string]any{"title": "demonstration only", "revision": "1"},
		"steps": []any{map[string]any{"title": "Do it", "kind": "STEP_KIND_DO"}},
	}))
	order := must(t, planner.REST("POST", "/v1/workOrders", map[string]any{"engine": "engines/demo-4711", "taskCard": "taskCards/two-people"}))
	name := text(order, "name")
	order = must(t, planner.REST("POST", "/v1/"+name+":schedule", map[string]any{
		"etag": order["etag"], "planStartTime": time.Date(2027, 1, 4, 8, 0, 0, 0, time.UTC), "station": "stations/skerry",
	}))
	order = must(t, planner.REST("POST", "/v1/"+name+":kit", map[string]any{"etag": order["etag"]}))
	must(t, technician.REST("POST", "/v1/"+name+":start", map[string]any{"etag": order["etag"]}))
	must(t, doing.REST("POST", "/v1/"+name+"/steps/s01:complete", map[string]any{}))
	must(t, signing.REST("POST", "/v1/"+name+":finish", signature(t, signing, name, "PERFORMED")))
	return name
}

// signature is the body of a signing call, over what is shown now, with a fresh proof.
func signature(t *testing.T, who *harness.Person, order, meaning string) map[string]any {
	t.Helper()
	shown := must(t, who.REST("GET", "/v1/"+order+":previewSignature?meaning="+meaning, nil))
	proof := must(t, who.REST("POST", "/v1/sessions:reauthenticate", map[string]any{"password": story.Password}))
	return map[string]any{"etag": shown["etag"], "contentHash": shown["contentHash"], "reauthenticationToken": proof["reauthenticationToken"]}
}

func inspection(t *testing.T, who *harness.Person, order string) map[string]any {
	t.Helper()
	request := signature(t, who, order, "INSPECTED")
	request["name"] = order
	return request
}

func unmoved(t *testing.T, who *harness.Person, order, state string) {
	t.Helper()
	if got := text(must(t, who.REST("GET", "/v1/"+order, nil)), "state"); got != state {
		t.Fatalf("%s is %s, want %s", order, got, state)
	}
}

func overREST(_ *testing.T, who *harness.Person, request map[string]any) string {
	return who.REST("POST", fmt.Sprintf("/v1/%s:inspect", request["name"]), request).Reason()
}

const inspect = "/coldsection.workorders.v1.WorkOrdersService/InspectWorkOrder"

func overGRPC(conn *grpc.ClientConn) door {
	return func(t *testing.T, who *harness.Person, request map[string]any) string {
		t.Helper()
		return reasonOf(invoke(t, who, conn, inspect, request, nil))
	}
}

func reasonOf(err error) string {
	if err == nil {
		return ""
	}
	if f, ok := fault.As(rpc.FromStatus(err)); ok {
		return f.Reason
	}
	return err.Error()
}

// ownPort names the way past the gateway.
const ownPort = "the service's own port"

// atOwnPort calls the service past the gateway: with the session only, and with an assertion of an inspector under a key of its own.
func atOwnPort(t *testing.T, address string) door {
	t.Helper()
	plain, err := grpc.NewClient(address, grpc.WithTransportCredentials(insecure.NewCredentials()))
	if err != nil {
		t.Fatal(err)
	}
	keys, err := auth.NewKeys([]byte(strings.Repeat("guessed ", 4)))
	if err != nil {
		t.Fatal(err)
	}
	forged, err := rpc.Caller{Keys: keys, Clock: clock.System()}.Dial(address)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _, _ = plain.Close(), forged.Close() })
	return func(t *testing.T, who *harness.Person, request map[string]any) string {
		t.Helper()
		first := reasonOf(invoke(t, who, plain, inspect, request, nil))
		ctx := auth.NewContext(t.Context(), auth.Identity{Account: "accounts/inspector", Person: "people/inspector", Roles: []string{"inspector"}, Kind: auth.Human})
		_, err := workordersv1.NewWorkOrdersServiceClient(forged).InspectWorkOrder(ctx, &workordersv1.InspectWorkOrderRequest{
			Name: fmt.Sprint(request["name"]), Etag: fmt.Sprint(request["etag"]), ContentHash: fmt.Sprint(request["contentHash"]), ReauthenticationToken: fmt.Sprint(request["reauthenticationToken"]),
		})
		return first + " " + reasonOf(err)
	}
}

// fromTheConsole signs people/dual in from the console's page and inspects from there, as the page's scripts call: with the cookie and the
// session's second token, and without the second.
func fromTheConsole(t *testing.T, stage *harness.Stage, order string) {
	t.Helper()
	b := harness.OpenBrowser(t, 1280, 900)
	b.Do(chromedp.Navigate(stage.URL("/")), chromedp.WaitVisible(chromedp.CSS("#login")))
	script := fmt.Sprintf(`window.said = ""; (async () => {
		const post = (path, body, token) => fetch(path, { method: "POST", credentials: "same-origin", body: JSON.stringify(body),
			headers: { "Content-Type": "application/json", ...(token && { "X-CSRF-Token": token }) } });
		const session = await (await post("/v1/sessions:signIn", { login: "dual", password: %[2]q })).json();
		const shown = await (await fetch("/v1/%[1]s:previewSignature?meaning=INSPECTED")).json();
		const proof = await (await post("/v1/sessions:reauthenticate", { password: %[2]q }, session.csrfToken)).json();
		const body = { etag: shown.etag, contentHash: shown.contentHash, reauthenticationToken: proof.reauthenticationToken };
		const answers = [await post("/v1/%[1]s:inspect", body, session.csrfToken), await post("/v1/%[1]s:inspect", body, null)];
		window.said = (await Promise.all(answers.map(async (a) => (await a.json()).reason))).join(" ");
	})().catch((e) => { window.said = String(e); }); true`, order, story.Password)
	harness.Value(b, chromedp.Evaluate[bool](script))
	harness.Value(b, chromedp.Poll[bool](`window.said !== ""`))
	if said := harness.Value(b, chromedp.Evaluate[string](`window.said`)); !strings.HasPrefix(said, "SAME_PERSON CSRF") {
		t.Errorf("from the console: %s", said)
	}
}

// replayed sends the story's fact that stores met an order's demands again: as it was, and as a new fact about the finished order; and a
// made-up fact that the order was inspected. It waits until the service went past them.
func replayed(t *testing.T, servers, order, released string) {
	t.Helper()
	conn, err := nats.Connect(servers)
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close()
	js, err := jetstream.New(conn)
	if err != nil {
		t.Fatal(err)
	}
	stream, err := js.Stream(t.Context(), eventbus.StreamName)
	if err != nil {
		t.Fatal(err)
	}
	kept, err := stream.GetLastMsgForSubject(t.Context(), "coldsection.v1.stock.demand.met")
	if err != nil {
		t.Fatal(err)
	}
	last := uint64(0)
	for i, change := range []func(m *nats.Msg){
		func(*nats.Msg) {},
		func(m *nats.Msg) { m.Header.Set("ce-id", "made-up-1-"+order) },
		func(m *nats.Msg) { aboutOrder(t, m, order); m.Header.Set("ce-id", "made-up-2-"+order) },
		func(m *nats.Msg) {
			aboutOrder(t, m, order)
			m.Subject = "coldsection.v1.workorder.inspected"
			m.Header.Set("ce-id", "made-up-3-"+order)
			m.Header.Set("ce-type", "coldsection.workorder.inspected.v1")
		},
		func(m *nats.Msg) { m.Header.Set("ce-id", "made-up-4-"+order) }, // the last one is of a type that the service hears
	} {
		m := nats.NewMsg(kept.Subject)
		m.Data, m.Header = kept.Data, nats.Header{}
		for name, values := range kept.Header {
			if !strings.HasPrefix(name, "Nats-") {
				m.Header[name] = values
			}
		}
		if change(m); !strings.Contains(string(m.Data), order) && !strings.Contains(string(m.Data), released) {
			t.Fatalf("the fact is about neither order: %s", m.Data)
		}
		ack, err := js.PublishMsg(t.Context(), m)
		if err != nil || ack.Sequence <= last {
			t.Fatalf("fact %d: %v %v", i, ack, err)
		}
		last = ack.Sequence
	}
	heard(t, stream, last)
}

// aboutOrder makes a fact one about another order.
func aboutOrder(t *testing.T, m *nats.Msg, order string) {
	t.Helper()
	var fact map[string]any
	_ = json.Unmarshal(m.Data, &fact)
	fact["workOrder"] = order
	m.Data = []byte(jsonText(t, fact))
	m.Header.Set("ce-subject", order)
}

// heard waits until the service's consumer is past a fact.
func heard(t *testing.T, stream jetstream.Stream, sequence uint64) {
	t.Helper()
	ctx, cancel := context.WithTimeout(t.Context(), time.Minute)
	defer cancel()
	for {
		consumer, err := stream.Consumer(ctx, "workorders")
		if err != nil {
			t.Fatal(err)
		}
		if info := consumer.CachedInfo(); info.AckFloor.Stream >= sequence {
			return
		}
		select {
		case <-ctx.Done():
			t.Fatal("the service does not hear the facts")
		case <-clock.System().After(50 * time.Millisecond):
		}
	}
}
