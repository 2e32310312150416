package harness

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"regexp"
	"slices"
	"strings"
	"testing"

	"google.golang.org/genproto/googleapis/api/annotations"
	"google.golang.org/grpc"
	"google.golang.org/grpc/metadata"
	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/reflect/protoregistry"

	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/rpc"
)

// Exchange is one call over REST with its answer.
type Exchange struct {
	Operation    string // the operation's id in the description; "" when only its path is known
	Request      *http.Request
	RequestBody  []byte
	Response     *http.Response
	ResponseBody []byte
}

// RESTConn makes the calls of a gRPC client over REST, as the contract's HTTP options say. Streams go over gRPC.
type RESTConn struct {
	grpc.ClientConnInterface

	base string
	// Heard is told of every exchange.
	Heard func(Exchange)
}

// RESTConn is a connection to the first gateway's HTTP port.
func (s *Stage) RESTConn(t testing.TB, heard func(Exchange)) *RESTConn {
	t.Helper()
	return &RESTConn{ClientConnInterface: s.Conn(t), base: s.URL(""), Heard: heard}
}

var pathVariable = regexp.MustCompile(`\{([a-z_.]+)=[^}]*\}`)

// Invoke makes one call.
func (c *RESTConn) Invoke(ctx context.Context, method string, args, reply any, _ ...grpc.CallOption) error {
	in, inOK := args.(proto.Message)
	out, outOK := reply.(proto.Message)
	if !inOK || !outOK {
		return fmt.Errorf("%s: no messages", method)
	}
	verb, target, body, err := transcode(method, in)
	if err != nil {
		return err
	}
	req, err := http.NewRequestWithContext(ctx, verb, c.base+target, bytes.NewReader(body))
	if err != nil {
		return err
	}
	carry(ctx, req.Header, len(body) > 0)
	resp, err := http.DefaultClient.Do(req)
	if err != nil {
		return rpc.ToStatus(fault.New(fault.Unavailable, "SERVICE_UNREACHABLE", "%v", err))
	}
	defer func() { _ = resp.Body.Close() }()
	text, err := io.ReadAll(resp.Body)
	if err != nil {
		return rpc.ToStatus(fault.New(fault.Unavailable, "SERVICE_UNREACHABLE", "%v", err))
	}
	service, name, _ := strings.Cut(method[strings.LastIndex(method, ".")+1:], "/")
	c.Heard(Exchange{service + "_" + name, req, body, resp, text})
	if resp.StatusCode != http.StatusOK {
		return refusal(text)
	}
	return protojson.Unmarshal(text, out)
}

// carry sets the headers that a gRPC client's metadata stand for.
func carry(ctx context.Context, h http.Header, body bool) {
	md, _ := metadata.FromOutgoingContext(ctx)
	for key, values := range md {
		h.Set(key, values[0])
	}
	h.Set("Accept", "application/json")
	if body {
		h.Set("Content-Type", "application/json")
	}
}

// refusal is the error that a problem stands for.
func refusal(text []byte) error {
	var p struct {
		Code     string            `json:"code"`
		Reason   string            `json:"reason"`
		Detail   string            `json:"detail"`
		Metadata map[string]string `json:"metadata"`
	}
	if err := json.Unmarshal(text, &p); err != nil {
		return fmt.Errorf("%q is no problem: %w", text, err)
	}
	for category := fault.Internal; category <= fault.Unimplemented; category++ {
		if rpc.CodeName(category) == p.Code {
			f := fault.New(category, p.Reason, "%s", p.Detail)
			f.Metadata = p.Metadata
			return rpc.ToStatus(f)
		}
	}
	return fmt.Errorf("the problem %s has no code that gRPC knows", text)
}

// transcode makes of a method and its request what the contract's HTTP options say.
func transcode(method string, in proto.Message) (verb, target string, body []byte, err error) {
	found, err := protoregistry.GlobalFiles.FindDescriptorByName(protoreflect.FullName(strings.ReplaceAll(strings.TrimPrefix(method, "/"), "/", ".")))
	if err != nil {
		return "", "", nil, err
	}
	rule, _ := proto.GetExtension(found.Options(), annotations.E_Http).(*annotations.HttpRule)
	verb, path := verbOf(rule)
	text, err := protojson.Marshal(in)
	if err != nil {
		return "", "", nil, err
	}
	fields := map[string]any{}
	if err := json.Unmarshal(text, &fields); err != nil {
		return "", "", nil, err
	}
	complete(in.ProtoReflect(), fields)
	path = pathVariable.ReplaceAllStringFunc(path, func(v string) string {
		return take(fields, strings.Split(pathVariable.FindStringSubmatch(v)[1], "."))
	})
	query := url.Values{}
	switch rule.GetBody() {
	case "*":
		body, err = json.Marshal(fields)
		fields = nil
	case "":
	default:
		name := camel(rule.GetBody())
		body, err = json.Marshal(fields[name])
		delete(fields, name)
	}
	flatten(query, "", fields)
	if len(query) > 0 {
		path += "?" + query.Encode()
	}
	return verb, path, body, err
}

// complete writes the zeros of fields that the contract requires, which gRPC does not send.
func complete(m protoreflect.Message, fields map[string]any) {
	for i := range m.Descriptor().Fields().Len() {
		f := m.Descriptor().Fields().Get(i)
		behaviours, _ := proto.GetExtension(f.Options(), annotations.E_FieldBehavior).([]annotations.FieldBehavior)
		switch inner := fields[f.JSONName()].(type) {
		case nil:
			if number := f.Kind() == protoreflect.DoubleKind || f.Kind() == protoreflect.Int32Kind; number && slices.Contains(behaviours, annotations.FieldBehavior_REQUIRED) {
				fields[f.JSONName()] = 0
			}
		case map[string]any:
			if f.Message() != nil && !f.IsMap() {
				complete(m.Get(f).Message(), inner)
			}
		case []any:
			for k, item := range inner {
				if item, ok := item.(map[string]any); ok {
					complete(m.Get(f).List().Get(k).Message(), item)
				}
			}
		}
	}
}

func verbOf(rule *annotations.HttpRule) (verb, path string) {
	for method, path := range map[string]string{
		http.MethodGet: rule.GetGet(), http.MethodPost: rule.GetPost(), http.MethodPatch: rule.GetPatch(), http.MethodDelete: rule.GetDelete(),
	} {
		if path != "" {
			return method, path
		}
	}
	return "", ""
}

// take removes a member that is a text and returns it.
func take(fields map[string]any, path []string) string {
	name := camel(path[0])
	if len(path) > 1 {
		inner, _ := fields[name].(map[string]any)
		return take(inner, path[1:])
	}
	value, _ := fields[name].(string)
	delete(fields, name)
	return value
}

func camel(name string) string {
	parts := strings.Split(name, "_")
	for i := 1; i < len(parts); i++ {
		parts[i] = strings.ToUpper(parts[i][:1]) + parts[i][1:]
	}
	return strings.Join(parts, "")
}

// flatten writes members as query parameters: inner ones with dots, lists one by one.
func flatten(query url.Values, prefix string, value any) {
	switch value := value.(type) {
	case map[string]any:
		for name, inner := range value {
			flatten(query, strings.TrimPrefix(prefix+"."+name, "."), inner)
		}
	case []any:
		for _, inner := range value {
			flatten(query, prefix, inner)
		}
	default:
		query.Add(prefix, fmt.Sprint(value))
	}
}
