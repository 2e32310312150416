package scenarios

import (
	"maps"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"testing"

	"google.golang.org/genproto/googleapis/api/annotations"
	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/types/dynamicpb"

	"coldsection.example/integration/harness"
)

// updated is a resource that can be changed by a mask, and somebody who may.
type updated struct {
	t      *testing.T
	method protoreflect.MethodDescriptor
	who    *harness.Person
	in     told
}

// Check API-11, of every resource of the contract that can be updated, over both protocols: a mask changes what it names and nothing else, one that
// names everything as it was read is taken, and one that names no field is refused. Orders that have started refuse every change, and a flying plan
// is in no list; their own tests try them.
func masksChangeWhatTheyName(t *testing.T, in told) {
	var tried []string
	altered := 0
	people := []*harness.Person{in.stage.SignIn(t, "admin"), in.stage.SignIn(t, "planner"), in.stage.SignIn(t, "quality"), in.stage.SignIn(t, "stores"), in.stage.SignIn(t, "analyst")}
	for _, m := range methods() {
		kind := m.Output().Name()
		if !strings.HasPrefix(string(m.Name()), "Update") || kind == "WorkOrder" || kind == "FlyingPlan" {
			continue
		}
		name := nameOfOne(people, m.Output())
		if name == "" {
			continue
		}
		for _, who := range people {
			u := updated{t, m, who, in}
			if a := u.patch(map[string]any{"name": name}, "no_such_field"); a.Status == http.StatusForbidden {
				continue
			} else if a.Status != http.StatusBadRequest || a.Reason() != "FIELD_UNKNOWN" {
				t.Errorf("%s, a field that is none: %d %v", kind, a.Status, a.Body)
			}
			tried = append(tried, string(kind))
			u.takesAllAsItWasRead(name)
			altered += u.changesOnly(name)
			break
		}
	}
	if len(tried) < 7 || altered < 30 {
		t.Errorf("only %v were tried, with %d altered members", tried, altered)
	}
}

// nameOfOne is the name of a resource of a kind that somebody finds in its list; "" when the story has none.
func nameOfOne(people []*harness.Person, kind protoreflect.MessageDescriptor) string {
	for _, m := range methods() {
		first := m.Output().Fields().ByNumber(1)
		rule, _ := proto.GetExtension(m.Options(), annotations.E_Http).(*annotations.HttpRule)
		if !strings.HasPrefix(string(m.Name()), "List") || first == nil || !first.IsList() || first.Message() != kind || strings.Contains(rule.GetGet(), "{") {
			continue
		}
		for _, who := range people {
			for _, row := range elements(who.REST("GET", rule.GetGet(), nil).Body, first.JSONName()) {
				found, _ := row.(map[string]any)
				return text(found, "name")
			}
		}
	}
	return ""
}

// patch asks over REST to change what a mask names.
func (u updated) patch(row map[string]any, mask string) harness.Answer {
	return u.who.REST("PATCH", "/v1/"+text(row, "name")+"?updateMask="+url.QueryEscape(mask), row)
}

// call asks over gRPC.
func (u updated) call(row map[string]any, mask string) error {
	u.t.Helper()
	field := u.method.Input().Fields().ByNumber(1)
	text := jsonText(u.t, map[string]any{field.JSONName(): row, "updateMask": mask})
	req, resp := dynamicpb.NewMessage(u.method.Input()), dynamicpb.NewMessage(u.method.Output())
	if err := protojson.Unmarshal([]byte(text), req); err != nil {
		u.t.Fatal(err)
	}
	return u.in.stage.Conn(u.t).Invoke(u.who.Context(), "/"+string(u.method.Parent().FullName())+"/"+string(u.method.Name()), req, resp)
}

func (u updated) read(name string) map[string]any {
	u.t.Helper()
	return must(u.t, u.who.REST("GET", "/v1/"+name, nil))
}

// takesAllAsItWasRead sends a resource back as it was read under a mask of all its members, with those that only the server sets.
func (u updated) takesAllAsItWasRead(name string) {
	u.t.Helper()
	row := u.read(name)
	all := strings.Join(slices.Sorted(maps.Keys(row)), ",")
	if a := u.patch(row, all); a.Status != http.StatusOK {
		u.t.Errorf("%s as it was read, all of %s named: %d %v", name, all, a.Status, a.Body)
		return
	}
	if err := u.call(u.read(name), all); err != nil {
		u.t.Errorf("%s as it was read, over gRPC: %v", name, err)
	}
}

// changesOnly names one field and sends all texts of the resource altered, which it counts; a change over each protocol. How often a resource
// was changed is the server's to say.
func (u updated) changesOnly(name string) (altogether int) {
	u.t.Helper()
	field, value := "displayName", any("Masked")
	if u.method.Output().Fields().ByName("display_name") == nil {
		field, value = "externalIds", map[string]any{"masks": "m-1"}
	}
	for _, protocol := range []string{"REST", "gRPC"} {
		before := u.read(name)
		sent := altered(u.method.Output(), before)
		sent[field] = value
		altogether += len(sent) - 3 // without name, etag and what is named
		if protocol == "REST" {
			must(u.t, u.patch(sent, field))
		} else if err := u.call(sent, field); err != nil {
			u.t.Errorf("%s over gRPC: %v", name, err)
		}
		after := u.read(name)
		for member := range after {
			if !slices.Contains([]string{field, "etag", "updateTime", "revision"}, member) && jsonText(u.t, after[member]) != jsonText(u.t, before[member]) {
				u.t.Errorf("%s over %s: a mask of %s changes %s from %v to %v", name, protocol, field, member, before[member], after[member])
			}
		}
		if jsonText(u.t, after[field]) != jsonText(u.t, value) {
			u.t.Errorf("%s over %s: %s is %v, want %v", name, protocol, field, after[field], value)
		}
		value = map[bool]any{true: "Masked again", false: map[string]any{"masks": "m-2"}}[field == "displayName"]
	}
	return altogether
}

// altered is a resource with other texts wherever a caller may write one.
func altered(kind protoreflect.MessageDescriptor, row map[string]any) map[string]any {
	sent := map[string]any{"name": row["name"], "etag": row["etag"]}
	for i := range kind.Fields().Len() {
		field := kind.Fields().Get(i)
		behaviours, _ := proto.GetExtension(field.Options(), annotations.E_FieldBehavior).([]annotations.FieldBehavior)
		ours := slices.Contains(behaviours, annotations.FieldBehavior_OUTPUT_ONLY) || slices.Contains(behaviours, annotations.FieldBehavior_IDENTIFIER)
		if field.Kind() == protoreflect.StringKind && !field.IsList() && !field.IsMap() && !ours && field.Name() != "etag" {
			sent[field.JSONName()] = "altered"
		}
	}
	return sent
}
