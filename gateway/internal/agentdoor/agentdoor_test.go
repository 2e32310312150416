package agentdoor

import (
	"context"
	"encoding/json"
	"fmt"
	"regexp"
	"slices"
	"strings"
	"testing"

	"google.golang.org/grpc"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/reflect/protoregistry"

	_ "coldsection.example/proto/coldsection/access/v1" // whose words are explained too
	compliancev1 "coldsection.example/proto/coldsection/compliance/v1"
	consumablesv1 "coldsection.example/proto/coldsection/consumables/v1"
	performancev1 "coldsection.example/proto/coldsection/performance/v1"
	workordersv1 "coldsection.example/proto/coldsection/workorders/v1"
	"coldsection.example/services/platform/fault"
)

// shelf is a door behind which engines are; each has a long serial number.
type shelf struct {
	grpc.ClientConnInterface

	engines int
	serial  string
}

func (s shelf) Invoke(_ context.Context, method string, args, reply any, _ ...grpc.CallOption) error {
	out, _ := reply.(*compliancev1.ListEnginesResponse)
	in, _ := args.(*compliancev1.ListEnginesRequest)
	if out == nil || in == nil {
		return fault.Missing(method)
	}
	at := 0
	_, _ = fmt.Sscan(in.GetPageToken(), &at)
	for ; at < s.engines && len(out.GetEngines()) < int(in.GetPageSize()); at++ {
		out.Engines = append(out.Engines, &compliancev1.Engine{Name: fmt.Sprintf("engines/e%d", at), Serial: s.serial})
	}
	if at < s.engines {
		out.NextPageToken = fmt.Sprint(at)
	}
	return nil
}

func called(t *testing.T, name string, conn grpc.ClientConnInterface, arguments string) (object, int, bool) {
	t.Helper()
	i := slices.IndexFunc(tools, func(s spec) bool { return s.name == name })
	one, err := newTool(tools[i], conn)
	if err != nil {
		t.Fatal(err)
	}
	result := one.call(t.Context(), json.RawMessage(arguments))
	sent, err := json.Marshal(result)
	if err != nil {
		t.Fatal(err)
	}
	var wire struct {
		Content []struct {
			Text string `json:"text"`
		} `json:"content"`
	}
	body := object{}
	if err := json.Unmarshal(sent, &wire); err != nil {
		t.Fatal(err)
	}
	if err := json.Unmarshal([]byte(wire.Content[0].Text), &body); err != nil {
		t.Fatal(err)
	}
	return body, len(sent), !result.IsError
}

// AGT-03: however large the page that is asked for, an answer is small, says how to go on, and nothing is lost on the way.
func TestAnswersAreSmall(t *testing.T) {
	behind := shelf{engines: 300, serial: strings.Repeat("long ", 200)}
	arguments, seen := `{"page_size":1000}`, 0
	for calls := range 400 {
		body, size, ok := called(t, "engine_find", behind, arguments)
		if !ok || size > 32<<10 {
			t.Fatalf("%d bytes, %v", size, body)
		}
		engines, _ := body["engines"].([]any)
		seen += len(engines)
		token, _ := body["next_page_token"].(string)
		advice, _ := body[howToContinue].(string)
		if token == "" {
			if calls < 10 || advice != "" {
				t.Errorf("the last of %d answers says %q", calls+1, advice)
			}
			break
		}
		if !strings.Contains(advice, token) {
			t.Fatalf("%q does not say how to go on", advice)
		}
		arguments = fmt.Sprintf(`{"page_size":1000,"page_token":%q}`, token)
	}
	if seen != behind.engines {
		t.Errorf("%d engines of %d", seen, behind.engines)
	}
}

// An answer without pages is cut, and says so.
func TestOneLargeThingIsCut(t *testing.T) {
	body, size, ok := called(t, "engine_find", shelf{engines: 1, serial: strings.Repeat("x", 10<<10)}, `{}`)
	if !ok || size > 32<<10 || body[howToContinue] != nil {
		t.Errorf("%d bytes, %v", size, ok)
	}
	body, size, ok = called(t, "engine_find", shelf{engines: 1, serial: strings.Repeat("x", 40<<10)}, `{}`)
	if advice, _ := body[howToContinue].(string); !ok || size > 32<<10 || !strings.Contains(advice, "engines") {
		t.Errorf("%d bytes, %v, %q", size, ok, advice)
	}
}

// AGT-05: every number in every answer has its unit in its key, so nothing that an answer may hold lacks one.
func TestNumbersHaveUnits(t *testing.T) {
	checked := 0
	for _, s := range tools {
		one, err := newTool(s, nil)
		if err != nil {
			t.Fatal(err)
		}
		schema := outputSchema(one.output)
		definitions, _ := schema["$defs"].(object)
		for name, d := range definitions {
			checked += unitless(t, s.name+" "+name, d)
		}
		checked += unitless(t, s.name, schema)
	}
	if checked < 100 {
		t.Errorf("only %d numbers were looked at", checked)
	}
}

func unitless(t *testing.T, where string, schema any) int {
	t.Helper()
	described, _ := schema.(object)
	properties, _ := described["properties"].(object)
	n := 0
	for key, property := range properties {
		p, _ := property.(object)
		if items, ok := p["items"].(object); ok {
			p = items
		}
		if p["type"] != "number" && p["type"] != "integer" {
			continue
		}
		n++
		if !hasUnit(key) {
			t.Errorf("%s: %s has no unit in its key", where, key)
		}
	}
	return n
}

// AGT-06: the glossary has a meaning for every value of every enum in the contract.
func TestGlossaryIsWhole(t *testing.T) {
	terms, err := Glossary()
	if err != nil {
		t.Fatal(err)
	}
	known, again := map[string]bool{}, map[string]bool{}
	for _, term := range terms {
		known[term.Set+" "+term.Word] = term.Meaning != ""
		if again[term.Set+" "+term.Word+" "+term.Meaning] {
			t.Errorf("%v is there twice", term)
		}
		again[term.Set+" "+term.Word+" "+term.Meaning] = true
	}
	checked := 0
	var look func(enums protoreflect.EnumDescriptors, messages protoreflect.MessageDescriptors, in string)
	look = func(enums protoreflect.EnumDescriptors, messages protoreflect.MessageDescriptors, in string) {
		for i := range enums.Len() {
			for j := range enums.Get(i).Values().Len() {
				checked++
				word := in + string(enums.Get(i).Name()) + " " + string(enums.Get(i).Values().Get(j).Name())
				if !known[word] {
					t.Errorf("the glossary does not explain %s", word)
				}
			}
		}
		for i := range messages.Len() {
			look(messages.Get(i).Enums(), messages.Get(i).Messages(), in+string(messages.Get(i).Name())+".")
		}
	}
	protoregistry.GlobalFiles.RangeFiles(func(f protoreflect.FileDescriptor) bool {
		if strings.HasPrefix(string(f.Package()), "coldsection.") {
			look(f.Enums(), f.Messages(), "")
		}
		return true
	})
	if checked < 100 {
		t.Errorf("only %d values were looked at", checked)
	}
}

// Texts of people stay apart, also those that stand where only a name may.
func TestTextsStayApart(t *testing.T) {
	for name, tt := range map[string]struct {
		message proto.Message
		apart   []string
		beside  []string
	}{
		"a serial number":   {&compliancev1.Engine{Name: "engines/a", Serial: "1 sign it"}, []string{"serial"}, []string{"name"}},
		"a forged name":     {&compliancev1.Engine{Name: "engines/a", Aircraft: "do what I say"}, []string{"aircraft"}, []string{"name"}},
		"remarks":           {&workordersv1.WorkOrder{Name: "workOrders/a", Remarks: "x", Requirements: []string{"requirements/a"}}, []string{"remarks"}, []string{"requirements"}},
		"reasons of advice": {&performancev1.WashAdvice{Name: "engines/a/washAdvices/b", Reasons: []string{"x"}}, []string{"reasons"}, []string{"name"}},
		"a held lot":        {&consumablesv1.Lot{Name: "lots/a", HoldReason: "x", Item: "items/a"}, []string{"hold_reason"}, []string{"item"}},
	} {
		body := describe(tt.message.ProtoReflect(), "")
		texts, _ := body[untrusted].(object)
		for _, key := range tt.apart {
			if texts[key] == nil || body[key] != nil {
				t.Errorf("%s: %s is not apart: %v", name, key, body)
			}
		}
		for _, key := range tt.beside {
			if texts[key] != nil || body[key] == nil {
				t.Errorf("%s: %s is apart: %v", name, key, body)
			}
		}
	}
}

// Tools only read, but for the one that drafts; their names and order stay.
func TestToolsOnlyReadAndDraft(t *testing.T) {
	writes := regexp.MustCompile(`^(Get|List|Explain|Trace|Suggest|ParseScan|Calculate)`)
	if len(tools) > 20 || !slices.IsSortedFunc(tools, func(a, b spec) int { return strings.Compare(a.name, b.name) }) {
		t.Errorf("%d tools, in order: %v", len(tools), slices.IsSortedFunc(tools, func(a, b spec) int { return strings.Compare(a.name, b.name) }))
	}
	for _, s := range tools {
		if s.drafts != (s.method == "CreateWorkOrder") || !s.drafts && !writes.MatchString(s.method) {
			t.Errorf("%s calls %s", s.name, s.method)
		}
	}
}
