package scenarios

import (
	"net/http"
	"regexp"
	"strings"
	"testing"

	"google.golang.org/genproto/googleapis/api/annotations"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/types/descriptorpb"
	"google.golang.org/protobuf/types/dynamicpb"

	"coldsection.example/integration/harness"
	"coldsection.example/services/suite/story"
)

// pathVariable is a part of a path that a name fills, such as {name=lots/*}; without a pattern it is one segment.
var pathVariable = regexp.MustCompile(`\{[a-z_.]+(?:=([^}]+))?\}`)

// routeOf is a method's verb and its path, with names of things that are not there.
func routeOf(m protoreflect.MethodDescriptor) (verb, path string) {
	rule, _ := proto.GetExtension(m.Options(), annotations.E_Http).(*annotations.HttpRule)
	for v, p := range map[string]string{
		http.MethodGet: rule.GetGet(), http.MethodPost: rule.GetPost(), http.MethodPatch: rule.GetPatch(), http.MethodDelete: rule.GetDelete(), http.MethodPut: rule.GetPut(),
	} {
		if p != "" {
			return v, pathVariable.ReplaceAllStringFunc(p, func(one string) string {
				pattern := pathVariable.FindStringSubmatch(one)[1]
				return strings.ReplaceAll(strings.ReplaceAll(max(pattern, "*"), "**", "none"), "*", "none")
			})
		}
	}
	return "", ""
}

// changing says whether the contract lets a method change something.
func changing(m protoreflect.MethodDescriptor) bool {
	options, _ := m.Options().(*descriptorpb.MethodOptions)
	return options.GetIdempotencyLevel() != descriptorpb.MethodOptions_NO_SIDE_EFFECTS
}

// AGT-02: an agent's key changes nothing by any method of the contract but for drafting an order; and neither does that of an account that has
// every other role beside, so that no slip of an administrator makes an agent sign. The one calls over REST, the other over gRPC.
func TestAgentsChangeNothing(t *testing.T) {
	stage := harness.OneProcess(t)
	conn := stage.Conn(t)
	admin := stage.Stranger(t)
	admin.Token = text(must(t, admin.REST("POST", "/v1/invitations:accept", map[string]any{"token": stage.Token(), "password": story.Password})), "token")
	keyed := func(login string, roles ...string) *harness.Person {
		must(t, admin.REST("POST", "/v1/accounts?accountId="+login, map[string]any{"login": login, "displayName": login, "kind": "MACHINE", "roles": roles}))
		who := stage.Stranger(t)
		who.Token = text(must(t, admin.REST("POST", "/v1/accounts/"+login+"/apiKeys", map[string]any{"displayName": login})), "secret")
		return who
	}
	plain, every, tried := keyed("plain", "agent"), keyed("every", callers[1:]...), 0
	for _, m := range methods() {
		if !changing(m) || m.IsStreamingClient() || m.IsStreamingServer() { // the table of authority has those that stream
			continue
		}
		tried++
		drafts := m.Name() == "CreateWorkOrder"
		err := conn.Invoke(every.Context(), "/"+string(m.Parent().FullName())+"/"+string(m.Name()), dynamicpb.NewMessage(m.Input()), dynamicpb.NewMessage(m.Output()))
		if drafts == (reasonOf(err) == "AGENT_LIMITED") {
			t.Errorf("an agent with every role calls %s: %v", m.FullName(), err)
		}
		verb, path := routeOf(m)
		answer := plain.REST(verb, path, map[string]any{})
		if drafts == (answer.Status == http.StatusForbidden) || !drafts && answer.Reason() != "AGENT_LIMITED" {
			t.Errorf("an agent calls %s %s: %d %v", verb, path, answer.Status, answer.Body)
		}
	}
	if tried < 100 {
		t.Errorf("only %d methods were tried", tried)
	}
}
