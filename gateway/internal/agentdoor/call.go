package agentdoor

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"strings"
	"time"

	"github.com/modelcontextprotocol/go-sdk/mcp"
	"google.golang.org/grpc"
	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/reflect/protoregistry"
	"google.golang.org/protobuf/types/known/structpb"

	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/rpc"
)

// Keys that every answer may have.
const (
	howToContinue = "how_to_continue"
	notice        = "notice"
)

// reminder is in every answer.
const reminder = "Calculated and recorded data; approves nothing. Approved data and licensed persons decide."

// tool is a spec with what the contract says of it.
type tool struct {
	spec

	conn          grpc.ClientConnInterface
	input, output protoreflect.MessageDescriptor
	listed        *mcp.Tool
}

func newTool(s spec, conn grpc.ClientConnInterface) (*tool, error) {
	d, err := protoregistry.GlobalFiles.FindDescriptorByName(protoreflect.FullName(s.service + "." + s.method))
	if err != nil {
		return nil, fmt.Errorf("%s: %w", s.name, err)
	}
	method, ok := d.(protoreflect.MethodDescriptor)
	if !ok {
		return nil, fmt.Errorf("%s: %s is no method", s.name, d.FullName())
	}
	t := &tool{spec: s, conn: conn, input: method.Input(), output: method.Output()}
	in, err := t.inputSchema()
	if err != nil {
		return nil, err
	}
	no := false
	t.listed = &mcp.Tool{
		Name: s.name, Title: s.title, Description: s.description, InputSchema: in, OutputSchema: outputSchema(t.output),
		Annotations: &mcp.ToolAnnotations{Title: s.title, ReadOnlyHint: !s.drafts, DestructiveHint: &no, IdempotentHint: true, OpenWorldHint: &no},
	}
	return t, nil
}

func (t *tool) description() *mcp.Tool { return t.listed }

// call makes the call and answers with what came of it, also with a refusal.
func (t *tool) call(ctx context.Context, arguments json.RawMessage) *mcp.CallToolResult {
	request, err := t.request(arguments)
	if err != nil {
		return t.refused(ctx, arguments, err)
	}
	result, err := t.fitting(ctx, request)
	if err != nil {
		return t.refused(ctx, arguments, err)
	}
	return result
}

// request is what the arguments ask for.
func (t *tool) request(arguments json.RawMessage) (proto.Message, error) {
	given, err := read(arguments)
	if err != nil {
		return nil, err
	}
	body := object{}
	for _, path := range t.fields {
		f, err := fieldAt(t.input, path)
		if err != nil {
			return nil, err
		}
		name := string(f.Name())
		if value, ok := given[name]; ok {
			if value, err = dated(f, value); err != nil {
				return nil, err
			}
			put(body, path, value)
			delete(given, name)
		}
	}
	for name := range given {
		return nil, fault.Invalid(name, "ARGUMENT_UNKNOWN", "%s takes no argument %q. It takes %s.", t.name, name, strings.Join(t.arguments(), ", "))
	}
	for _, path := range t.required {
		if _, ok := body[path]; !ok && t.missing(body, path) {
			return nil, fault.Invalid(path, "ARGUMENT_MISSING", "%s needs the argument %q. Give it.", t.name, path)
		}
	}
	text, err := json.Marshal(body)
	if err != nil {
		return nil, err
	}
	message, err := newMessage(t.input)
	if err != nil {
		return nil, err
	}
	if err := protojson.Unmarshal(text, message); err != nil {
		return nil, fault.Invalid("", "ARGUMENT_INVALID", "An argument can't be read: %v. See the tool's inputSchema.", err)
	}
	return message, nil
}

// read reads arguments, of which each is named once, and keeps numbers as they were written. Reason: ARGUMENT_INVALID.
func read(arguments json.RawMessage) (object, error) {
	given := object{}
	if text := bytes.TrimSpace(arguments); len(text) == 0 || string(text) == "null" { // as clients say that there are none
		return given, nil
	}
	unreadable := fault.Invalid("", "ARGUMENT_INVALID", "The arguments are no JSON object in which each name stands once. Send one as the tool's inputSchema says.")
	if protojson.Unmarshal(arguments, &structpb.Struct{}) != nil { // the decoder below would take the last of two
		return nil, unreadable
	}
	d := json.NewDecoder(bytes.NewReader(arguments))
	d.UseNumber()
	if d.Decode(&given) != nil {
		return nil, unreadable
	}
	return given, nil
}

func (t *tool) missing(body object, name string) bool {
	inner, _ := body[t.lifted].(object)
	_, ok := inner[name]
	return !ok
}

// arguments are the names of what the tool takes.
func (t *tool) arguments() []string {
	var out []string
	for _, path := range t.fields {
		out = append(out, path[strings.LastIndex(path, ".")+1:])
	}
	return out
}

func put(body object, path string, value any) {
	name, rest, deeper := strings.Cut(path, ".")
	if !deeper {
		body[name] = value
		return
	}
	inner, ok := body[name].(object)
	if !ok {
		inner = object{}
		body[name] = inner
	}
	put(inner, rest, value)
}

// dated reads a civil date, such as 2026-11-25, as the message that the contract has for it. Reason: ARGUMENT_INVALID.
func dated(f protoreflect.FieldDescriptor, value any) (any, error) {
	text, ok := value.(string)
	if !ok || f.Message() == nil || f.Message().FullName() != "google.type.Date" {
		return value, nil
	}
	day, err := time.Parse(time.DateOnly, text)
	if err != nil {
		return nil, fault.Invalid(string(f.Name()), "ARGUMENT_INVALID", "%q in %s is no date. Write year, month and day, such as 2026-11-25.", text, f.Name())
	}
	return object{"year": day.Year(), "month": int(day.Month()), "day": day.Day()}, nil
}

func newMessage(d protoreflect.MessageDescriptor) (proto.Message, error) {
	typ, err := protoregistry.GlobalTypes.FindMessageByName(d.FullName())
	if err != nil {
		return nil, err
	}
	return typ.New().Interface(), nil
}

// invoke makes the call.
func (t *tool) invoke(ctx context.Context, request proto.Message) (proto.Message, error) {
	answer, err := newMessage(t.output)
	if err != nil {
		return nil, err
	}
	return answer, rpc.FromStatus(t.conn.Invoke(ctx, "/"+t.service+"/"+t.method, request, answer))
}
