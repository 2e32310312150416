package scenarios

import (
	"encoding/json"
	"os/exec"
	"testing"

	"coldsection.example/services/suite/story"
)

// run runs a program written by others and reads its JSON output.
func run(t *testing.T, program string, args ...string) map[string]any {
	t.Helper()
	out, err := exec.CommandContext(t.Context(), program, args...).Output()
	if err != nil {
		t.Fatalf("%s %v: %v\n%s", program, args, err, out)
	}
	answer := map[string]any{}
	if err := json.Unmarshal(out, &answer); err != nil {
		t.Fatalf("%s %v printed %q: %v", program, args, out, err)
	}
	return answer
}

// elements is a list in an answer.
func elements(answer map[string]any, name string) []any {
	list, _ := answer[name].([]any)
	return list
}

// An integrator's first steps with curl: sign in, list engines, draft an order, issue stock, read the feed.
func TestCurl(t *testing.T) {
	stage, _ := retold(t)
	order := scheduled(t, stage.SignIn(t, "planner"))
	signIn := func(login string) string {
		return text(run(t, "curl", "-sS", "--fail", stage.URL("/v1/sessions:signIn"), "--json",
			`{"login":"`+login+`","password":"`+story.Password+`"}`), "token")
	}
	curl := func(token, path string, more ...string) map[string]any {
		args := append([]string{"-sS", "--fail-with-body", "-H", "Authorization: Bearer " + token, stage.URL(path)}, more...)
		return run(t, "curl", args...)
	}
	planner, stores := signIn("planner"), signIn("stores")
	if engines := elements(curl(planner, "/v1/engines"), "engines"); len(engines) != 1 {
		t.Errorf("engines: %v", engines)
	}
	if drafted := curl(planner, "/v1/workOrders", "--json", `{"engine":"engines/demo-4711","taskCard":"taskCards/salt-rinse"}`); text(drafted, "state") != "DRAFTED" {
		t.Errorf("drafted: %v", drafted)
	}
	issued := curl(stores, "/v1/lots/cleaner-a:issue", "--json", `{"workOrder":"`+order+`","quantity":{"value":"100","unitCode":"mL"}}`)
	if text(issued, "kind") != "ISSUED" {
		t.Errorf("issued: %v", issued)
	}
	feed := curl(planner, "/v1/events?pageSize=1000")
	if len(elements(feed, "events")) < 80 || text(feed, "nextCursor") == "" {
		t.Errorf("the feed holds %d facts, cursor %q", len(elements(feed, "events")), text(feed, "nextCursor"))
	}
}

// The same steps with grpcurl, which learns the contract from the server.
func TestGrpcurl(t *testing.T) {
	stage, _ := retold(t)
	order := scheduled(t, stage.SignIn(t, "planner"))
	grpcurl := func(token, method, request string) map[string]any {
		args := []string{"-plaintext", "-max-msg-sz", "20000000", "-d", request}
		if token != "" {
			args = append(args, "-H", "authorization: Bearer "+token)
		}
		return run(t, "grpcurl", append(args, stage.GRPC[0], method)...)
	}
	signIn := func(login string) string {
		return text(grpcurl("", "coldsection.access.v1.SessionService/SignIn", `{"login":"`+login+`","password":"`+story.Password+`"}`), "token")
	}
	planner, stores := signIn("planner"), signIn("stores")
	if engines := elements(grpcurl(planner, "coldsection.compliance.v1.ComplianceQueryService/ListEngines", `{}`), "engines"); len(engines) != 1 {
		t.Errorf("engines: %v", engines)
	}
	drafted := grpcurl(planner, "coldsection.workorders.v1.WorkOrdersService/CreateWorkOrder",
		`{"workOrder":{"engine":"engines/demo-4711","taskCard":"taskCards/salt-rinse"}}`)
	if text(drafted, "state") != "DRAFTED" {
		t.Errorf("drafted: %v", drafted)
	}
	issued := grpcurl(stores, "coldsection.consumables.v1.ConsumablesService/IssueStock",
		`{"name":"lots/cleaner-a","workOrder":"`+order+`","quantity":{"value":"100","unitCode":"mL"}}`)
	if text(issued, "kind") != "ISSUED" {
		t.Errorf("issued: %v", issued)
	}
	feed := grpcurl(planner, "coldsection.access.v1.EventsService/ListEvents", `{"pageSize":1000}`)
	if len(elements(feed, "events")) < 80 {
		t.Errorf("the feed holds %d facts", len(elements(feed, "events")))
	}
}
