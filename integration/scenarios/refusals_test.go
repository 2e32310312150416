package scenarios

import (
	"encoding/json"
	"maps"
	"strings"
	"testing"

	"google.golang.org/grpc"
	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/encoding/protowire"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/reflect/protoregistry"
	"google.golang.org/protobuf/types/dynamicpb"

	"coldsection.example/integration/harness"
	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/rpc"
)

// refused is a request to issue stock that must be refused with the same reason over REST and over gRPC; text must name the
// thing, the rule or the next move.
type refused struct {
	name, login, lot string
	quantity         map[string]any
	more             map[string]any // further fields of the request
	reason, text     string
}

func quantity(value, unit string) map[string]any {
	return map[string]any{"value": value, "unitCode": unit}
}

// request is the whole request; order is one that stores hold lots for.
func (r refused) request(order string) map[string]any {
	request := map[string]any{"name": r.lot, "workOrder": order, "quantity": r.quantity}
	maps.Copy(request, r.more)
	return request
}

const (
	issueStock = "/coldsection.consumables.v1.ConsumablesService/IssueStock"
	good       = "lots/cleaner-a"
)

var refusals = []refused{
	{"unknown unit", "stores", good, quantity("1", "furlong"), nil, "UNIT_UNKNOWN", "furlong"},
	{"unit of another kind", "stores", good, quantity("1", "kPa"), nil, "UNIT_MISMATCH", "kPa"},
	{"no number", "stores", good, quantity("NaN", "L"), nil, "FIELD_INVALID", `quantity.value "NaN"`},
	{"negative", "stores", good, quantity("-1", "L"), nil, "QUANTITY_NOT_POSITIVE", "-1"},
	{"zero", "stores", good, quantity("0", "L"), nil, "QUANTITY_NOT_POSITIVE", "0"},
	{"more than there is", "stores", good, quantity("1000", "L"), nil, "INSUFFICIENT_STOCK", "19.6"},
	{"expired lot", "stores", "lots/cleaner-old", quantity("1", "L"), nil, "LOT_EXPIRED", "2026-09-08"},
	{"no such lot", "stores", "lots/none", quantity("1", "L"), nil, "NOT_FOUND", "lots/none"},
	{"stale etag", "stores", good, quantity("1", "L"), map[string]any{"etag": "v1"}, "ETAG_MISMATCH", good},
	{"wrong role", "technician", good, quantity("1", "L"), nil, "ROLE_MISSING", "stores"},
	{"no signing in", "", good, quantity("1", "L"), nil, "NOT_SIGNED_IN", "Sign in"},
	{"no order", "stores", good, quantity("1", "L"), map[string]any{"workOrder": ""}, "FIELD_INVALID", "work_order"},
	{"spaces for a reason", "stores", good, quantity("1", "L"), map[string]any{"overrideReason": "   "}, "TEXT_BLANK", "override_reason"},
	{"a character that is none", "stores", good, quantity("1", "L"), map[string]any{"overrideReason": "a\x00"}, "TEXT_UNREADABLE", "override_reason"},
	{"unknown order", "stores", good, quantity("1", "L"), map[string]any{"workOrder": "workOrders/none"}, "WORK_ORDER_UNKNOWN", "workOrders/none"},
}

func TestBadInputIsRefusedAlikeOnBothProtocolsAndLeavesNoTrace(t *testing.T) {
	stage, _ := retold(t)
	conn, people := stage.Conn(t), map[string]*harness.Person{}
	person := func(login string) *harness.Person {
		if people[login] == nil && login == "" {
			people[login] = stage.Stranger(t)
		} else if people[login] == nil {
			people[login] = stage.SignIn(t, login)
		}
		return people[login]
	}
	order := scheduled(t, person("planner"))
	before := traces(t, person("quality"))
	for _, c := range refusals {
		t.Run(c.name, func(t *testing.T) {
			who := person(c.login)
			answer := who.REST("POST", "/v1/"+c.lot+":issue", c.request(order))
			rest, _ := answer.Body["detail"].(string)
			check(t, "REST", c, answer.Reason(), rest)
			checkProblem(t, c.name, answer)
			err := invoke(t, who, conn, issueStock, c.request(order), nil)
			f, ok := fault.As(rpc.FromStatus(err))
			if !ok {
				t.Fatalf("gRPC: want %s, got %v", c.reason, err)
			}
			check(t, "gRPC", c, f.Reason, f.Message)
		})
	}
	t.Run("unknown field", func(t *testing.T) {
		request := refused{lot: good, quantity: quantity("1", "L"), more: map[string]any{"colour": "red"}}.request(order)
		if answer := person("stores").REST("POST", "/v1/lots/cleaner-a:issue", request); answer.Reason() != "UNKNOWN_FIELD" {
			t.Errorf("REST: %d %v", answer.Status, answer.Body)
		}
		delete(request, "colour")
		err := invoke(t, person("stores"), conn, issueStock, request, protowire.AppendVarint(protowire.AppendTag(nil, 999, protowire.VarintType), 1))
		if !fault.HasReason(rpc.FromStatus(err), "UNKNOWN_FIELD") {
			t.Errorf("gRPC: %v", err)
		}
	})
	if after := traces(t, person("quality")); after != before {
		t.Errorf("refused requests left a trace:\nbefore %s\nafter  %s", before, after)
	}
}

func check(t *testing.T, protocol string, c refused, reason, text string) {
	t.Helper()
	if reason != c.reason {
		t.Errorf("%s: want %s, got %s: %s", protocol, c.reason, reason, text)
	}
	if !strings.Contains(text, c.text) {
		t.Errorf("%s: %q does not say %q", protocol, text, c.text)
	}
}

// invoke calls a method with a request given as JSON, and fields that the contract does not know.
func invoke(t *testing.T, who *harness.Person, conn *grpc.ClientConn, method string, request map[string]any, unknown []byte) error {
	t.Helper()
	name := protoreflect.FullName(strings.ReplaceAll(strings.TrimPrefix(method, "/"), "/", "."))
	found, err := protoregistry.GlobalFiles.FindDescriptorByName(name)
	if err != nil {
		t.Fatal(err)
	}
	m, ok := found.(protoreflect.MethodDescriptor)
	if !ok {
		t.Fatalf("%s is no method", method)
	}
	in, out := dynamicpb.NewMessage(m.Input()), dynamicpb.NewMessage(m.Output())
	text, err := json.Marshal(request)
	if err != nil {
		t.Fatal(err)
	}
	if err := protojson.Unmarshal(text, in); err != nil {
		t.Fatal(err)
	}
	in.SetUnknown(unknown)
	return conn.Invoke(who.Context(), method, proto.Message(in), proto.Message(out))
}

// traces is what a change would leave behind: lots, movements, orders and the number of facts.
func traces(t *testing.T, who *harness.Person) string {
	t.Helper()
	var all strings.Builder
	for _, path := range []string{"/v1/lots", "/v1/stockMovements?pageSize=1000", "/v1/workOrders", "/v1/events?pageSize=1000"} {
		answer := who.REST("GET", path, nil)
		if answer.Status != 200 {
			t.Fatalf("GET %s: %d %v", path, answer.Status, answer.Body)
		}
		text, err := json.Marshal(answer.Body)
		if err != nil {
			t.Fatal(err)
		}
		all.Write(text)
	}
	return all.String()
}
