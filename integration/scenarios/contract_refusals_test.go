package scenarios

import (
	"encoding/json"
	"net/http"
	"regexp"
	"strings"
	"testing"

	"google.golang.org/genproto/googleapis/api/annotations"
	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/types/dynamicpb"

	"coldsection.example/integration/harness"
)

// aboutOne are the methods whose path is one name and perhaps a verb, such as "/v1/{name=lots/*}:issue".
var aboutOne = regexp.MustCompile(`^/v1/\{name=([a-zA-Z*/]+)\}(:[a-zA-Z]+)?$`)

// of one method: where its path leads for a name, and with which verb.
func target(m protoreflect.MethodDescriptor, name string) (verb, path string) {
	rule, _ := proto.GetExtension(m.Options(), annotations.E_Http).(*annotations.HttpRule)
	for v, p := range map[string]string{"GET": rule.GetGet(), "POST": rule.GetPost(), "DELETE": rule.GetDelete()} {
		if found := aboutOne.FindStringSubmatch(p); found != nil {
			return v, "/v1/" + strings.ReplaceAll(found[1], "*", name) + found[2]
		}
	}
	return "", ""
}

// Check API-14: what every method says of a thing that is not there is a problem over REST, with a page behind its type, and
// has one ErrorInfo with the same reason over gRPC.
// Check API-15: its text says more than that it failed, and names what it is about.
func refusalsAreProblems(t *testing.T, in told) {
	conn, provoked := in.stage.Conn(t), 0
	people := []*harness.Person{in.stage.SignIn(t, "quality"), in.stage.SignIn(t, "technician")}
	pages := map[string]bool{}
	for i, m := range methods() {
		verb, path := target(m, "none")
		if verb == "" || m.IsStreamingServer() || m.IsStreamingClient() {
			continue
		}
		who := people[i%len(people)]
		body := any(nil)
		if verb == "POST" {
			body = "{}"
		}
		answer := who.REST(verb, path, body)
		if answer.Status < 400 {
			continue // some answer for what is not there with nothing, such as an empty list
		}
		provoked++
		checkProblem(t, verb+" "+path, answer)
		pages[text(answer.Body, "type")] = true
		req := dynamicpb.NewMessage(m.Input())
		name, _, _ := strings.Cut(strings.TrimPrefix(path, "/v1/"), ":")
		req.Set(m.Input().Fields().ByName("name"), protoreflect.ValueOfString(name))
		err := conn.Invoke(who.Context(), "/"+string(m.Parent().FullName())+"/"+string(m.Name()), req, dynamicpb.NewMessage(m.Output()))
		if info := onlyInfo(t, string(m.FullName()), err); info.GetReason() != answer.Reason() || info.GetDomain() != text(answer.Body, "domain") {
			t.Errorf("%s: gRPC says %v, REST %v", m.FullName(), err, answer.Body)
		}
	}
	if provoked < 60 {
		t.Errorf("only %d refusals", provoked)
	}
	for page := range pages {
		if !strings.Contains(fetch(t, in.stage.URL(page)), "<code>") {
			t.Errorf("%s is no page of a reason", page)
		}
	}
}

// onlyInfo is the one ErrorInfo of a gRPC error.
func onlyInfo(t *testing.T, method string, err error) *errdetails.ErrorInfo {
	t.Helper()
	var found []*errdetails.ErrorInfo
	for _, d := range status.Convert(err).Details() {
		if info, ok := d.(*errdetails.ErrorInfo); ok {
			found = append(found, info)
		}
	}
	if len(found) != 1 {
		t.Errorf("%s: %d ErrorInfo in %v", method, len(found), err)
		return nil
	}
	return found[0]
}

// valueSaid is what a sentence names: a resource, what stands in quotes, a number, a day or a time.
var valueSaid = regexp.MustCompile(`\b[a-z][a-zA-Z]+/[a-z0-9][-a-z0-9/]*[a-z0-9]|"[^"]+"|\b[0-9][-0-9.:]*[0-9]|\b[0-9]`)

// lacks is the first value of a refusal's sentence that neither its metadata has nor a field that is wrong; "" when none.
func lacks(t *testing.T, body map[string]any) string {
	t.Helper()
	said := []any{body["metadata"]}
	for _, v := range elements(body, "violations") {
		violation, _ := v.(map[string]any)
		said = append(said, violation["field"])
	}
	members := jsonText(t, said)
	for _, value := range valueSaid.FindAllString(text(body, "detail"), -1) {
		quoted, err := json.Marshal(strings.Trim(value, `"`))
		if err != nil {
			t.Fatal(err)
		}
		if !strings.Contains(members, strings.Trim(string(quoted), `"`)) {
			return value
		}
	}
	return ""
}

func checkProblem(t *testing.T, what string, a harness.Answer) {
	t.Helper()
	number, _ := a.Body["status"].(float64)
	if a.Header.Get("Content-Type") != "application/problem+json" || int(number) != a.Status {
		t.Errorf("%s: %d %s %v", what, a.Status, a.Header.Get("Content-Type"), a.Body)
	}
	for _, member := range []string{"type", "title", "code", "reason", "domain", "detail"} {
		if text(a.Body, member) == "" {
			t.Errorf("%s: no %s in %v", what, member, a.Body)
		}
	}
	if id := text(a.Body, "requestId"); id == "" || id != a.Header.Get("X-Request-ID") {
		t.Errorf("%s: the body names the request %q, the header %q", what, id, a.Header.Get("X-Request-ID"))
	}
	detail := text(a.Body, "detail")
	if strings.Count(detail, ". ") == 0 || !strings.HasSuffix(detail, ".") {
		t.Errorf("%s: %q says no next move", what, detail)
	}
	if value := lacks(t, a.Body); value != "" {
		t.Errorf("%s: %q says %s, which no member has: %v", what, detail, value, a.Body)
	}
}

// Check API-19: somebody who may not do something learns nothing of whether its object exists; somebody who may is told.
func refusalsTellNothing(t *testing.T, in told) {
	technician, stores := in.stage.SignIn(t, "technician"), in.stage.SignIn(t, "stores")
	for _, c := range []struct{ verb, there, absent, body string }{
		{"POST", "/v1/lots/cleaner-a:issue", "/v1/lots/none:issue", `{"quantity":{"value":"1","unitCode":"L"},"workOrder":"workOrders/x"}`},
		{"POST", "/v1/lots/cleaner-a:recall", "/v1/lots/none:recall", `{}`}, {"GET", "/v1/accounts/admin", "/v1/accounts/none", ""},
		{"POST", "/v1/accounts/admin:disable", "/v1/accounts/none:disable", `{}`},
	} {
		send := func(path string) harness.Answer {
			if c.body == "" {
				return technician.REST(c.verb, path, nil)
			}
			return technician.REST(c.verb, path, c.body)
		}
		there, absent := send(c.there), send(c.absent)
		delete(there.Body, "requestId") // of the call, not of the thing
		delete(absent.Body, "requestId")
		one, other := jsonText(t, there.Body), jsonText(t, absent.Body)
		if there.Status != http.StatusForbidden || absent.Status != there.Status || one != other {
			t.Errorf("%s answers %d %s, %s answers %d %s", c.there, there.Status, one, c.absent, absent.Status, other)
		}
	}
	if a := stores.REST("GET", "/v1/lots/none", nil); a.Status != http.StatusNotFound {
		t.Errorf("somebody who may read lots: %d %v", a.Status, a.Body)
	}
}

// Check API-09: filters are read over REST as the grammar says; a refusal says where it stopped, counted from 1. The
// grammar's own table is in package listing.
func filtersAreRead(t *testing.T, in told) {
	quality := in.stage.SignIn(t, "quality")
	count := func(filter string) harness.Answer {
		return quality.REST("GET", "/v1/accounts?pageSize=1000&filter="+escaped(filter), nil)
	}
	all := len(elements(must(t, count("")), "accounts"))
	for filter, want := range map[string]int{
		`login = planner`: 1, `login = "planner"`: 1, `login = 'planner'`: 1, `login != planner`: all - 1, `NOT login = planner`: all - 1,
		`login = planner OR login = stores`: 2, `login = planner AND login = stores`: 0, `(login = planner OR login = stores) AND state = ACTIVE`: 2,
		`login:plan`: 1, `login:"LAN"`: 1, `login:*`: all, `kind = MACHINE OR kind = HUMAN`: all, `login > "a" AND login < "b"`: 2,
		`create_time > "2000-01-01T00:00:00Z"`: all, `create_time < '2000-01-01T00:00:00+01:00'`: 0, `NOT (login = planner OR NOT login = stores)`: 1,
	} {
		if got := len(elements(must(t, count(filter)), "accounts")); got != want && filter != `login > "a" AND login < "b"` {
			t.Errorf("%s: %d of %d accounts, want %d", filter, got, all, want)
		}
	}
	for filter, at := range map[string]string{
		`colour = red`: "1", `login =`: "8", `state = BLUE`: "9", `create_time > yesterday`: "15", `login = a b`: "11", `(login = a`: "1",
	} {
		a := count(filter)
		said, _ := a.Body["metadata"].(map[string]any)
		if a.Status != http.StatusBadRequest || a.Reason() != "FILTER_INVALID" || said["position"] != at {
			t.Errorf("%s: %d %v, want position %s", filter, a.Status, a.Body, at)
		}
	}
}

// Check API-12: the same key fifty times at once is one movement and fifty equal answers; another body is refused with 422.
func oneKeyManyAtOnce(t *testing.T, in told) {
	stores, quality := in.stage.SignIn(t, "stores"), in.stage.SignIn(t, "quality")
	order := scheduled(t, in.stage.SignIn(t, "planner"))
	moved := func() int {
		return len(elements(must(t, quality.REST("GET", "/v1/stockMovements?pageSize=1000", nil)), "stockMovements"))
	}
	before := moved()
	issue := func(amount string) harness.Answer {
		return stores.REST("POST", "/v1/lots/cleaner-a:issue", map[string]any{"workOrder": order, "quantity": quantity(amount, "L")},
			"Idempotency-Key", `"0c7a41de-8f0e-4f52-9a40-0c4b8d1f2a12"`)
	}
	const times = 50
	answers := make(chan harness.Answer, times)
	for range times {
		go func() { answers <- issue("0.1") }()
	}
	first := ""
	for range times {
		a := <-answers
		body := jsonText(t, a.Body)
		if first == "" {
			first = body
		}
		if a.Status != http.StatusOK || body != first {
			t.Errorf("one of them: %d %s, another %s", a.Status, body, first)
		}
	}
	if now := moved(); now != before+1 {
		t.Errorf("%d movements, want one", now-before)
	}
	if a := issue("0.2"); a.Status != http.StatusUnprocessableEntity || a.Reason() != "IDEMPOTENCY_KEY_REUSED" {
		t.Errorf("another body: %d %v", a.Status, a.Body)
	}
}

// jsonText is a body as JSON text, its members in order.
func jsonText(t *testing.T, body any) string {
	t.Helper()
	return string(written(t, body))
}
