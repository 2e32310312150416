package verbs

import (
	"context"
	"encoding/json"
	"fmt"
	"path"
	"slices"
	"strings"

	"google.golang.org/genproto/googleapis/api/annotations"
	"google.golang.org/grpc"
	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/reflect/protoregistry"
	"google.golang.org/protobuf/types/descriptorpb"

	"coldsection.example/services/platform/config"
	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/rpc"
)

// Client calls a running suite.
type Client struct{ Conn grpc.ClientConnInterface }

// Methods are the methods of the public contract that are no streams, by their full names, in order.
func Methods() []protoreflect.MethodDescriptor {
	var out []protoreflect.MethodDescriptor
	protoregistry.GlobalFiles.RangeFiles(func(file protoreflect.FileDescriptor) bool {
		if !strings.HasPrefix(string(file.Package()), "coldsection.") {
			return true
		}
		for i := range file.Services().Len() {
			methods := file.Services().Get(i).Methods()
			for j := range methods.Len() {
				if m := methods.Get(j); !m.IsStreamingClient() && !m.IsStreamingServer() {
					out = append(out, m)
				}
			}
		}
		return true
	})
	slices.SortFunc(out, func(a, b protoreflect.MethodDescriptor) int {
		return strings.Compare(string(a.FullName()), string(b.FullName()))
	})
	return out
}

// method finds a method by its own name, such as ListEngines, or by a longer one that ends in it. Reason: METHOD_UNKNOWN.
func method(name string) (protoreflect.MethodDescriptor, error) {
	name = strings.ReplaceAll(name, "/", ".")
	nearest, least := "", 0
	for _, m := range Methods() {
		full := "." + string(m.FullName())
		if strings.HasSuffix(full, "."+name) {
			return m, nil
		}
		if d := config.Distance(string(m.Name()), name[strings.LastIndex(name, ".")+1:]); nearest == "" || d < least {
			nearest, least = string(m.Name()), d
		}
	}
	if near := max(2, len(nearest)/4); least > near {
		return nil, fault.Invalid("method", "METHOD_UNKNOWN", "There is no method %q. See coldsection methods.", name)
	}
	return nil, fault.Invalid("method", "METHOD_UNKNOWN", "There is no method %q; did you mean %s? See coldsection methods.", name, nearest)
}

// Ask calls a method with a request in JSON; "" is an empty one. A dry run checks everything and changes nothing. Reasons: METHOD_UNKNOWN,
// REQUEST_INVALID, DRY_RUN_UNKNOWN.
func (c Client) Ask(ctx context.Context, name, request string, dry bool) (proto.Message, error) {
	m, err := method(name)
	if err != nil {
		return nil, err
	}
	in, err := message(m.Input())
	if err != nil {
		return nil, err
	}
	if request != "" {
		if err := protojson.Unmarshal([]byte(request), in); err != nil {
			return nil, fault.Invalid("json", "REQUEST_INVALID", "The request can't be read: %v. Its fields are those of %s.", err, m.Input().Name())
		}
	}
	if dry && !Reads(m) {
		if !CanBeTried(m) {
			return nil, fault.Invalid("dry_run", "DRY_RUN_UNKNOWN", "%s can't be tried without its effect. Leave --dry-run out when you mean it; "+
				"coldsection methods -o csv says which methods can be tried.", m.Name())
		}
		in.ProtoReflect().Set(m.Input().Fields().ByName(trial), protoreflect.ValueOfBool(true))
	}
	return c.invoke(ctx, m, in)
}

// trial is the field of a request that asks for everything but the effect.
const trial = "validate_only"

// CanBeTried says whether a method takes a dry run: it reads only, or knows a request that is to be checked and not done.
func CanBeTried(m protoreflect.MethodDescriptor) bool {
	return Reads(m) || m.Input().Fields().ByName(trial) != nil
}

// Reads says whether the contract declares that a method changes nothing.
func Reads(m protoreflect.MethodDescriptor) bool {
	options, _ := m.Options().(*descriptorpb.MethodOptions)
	return options.GetIdempotencyLevel() == descriptorpb.MethodOptions_NO_SIDE_EFFECTS
}

func (c Client) invoke(ctx context.Context, m protoreflect.MethodDescriptor, in proto.Message) (proto.Message, error) {
	out, err := message(m.Output())
	if err != nil {
		return nil, err
	}
	address := fmt.Sprintf("/%s/%s", m.Parent().FullName(), m.Name())
	return out, rpc.FromStatus(c.Conn.Invoke(ctx, address, in, out))
}

func message(d protoreflect.MessageDescriptor) (proto.Message, error) {
	typ, err := protoregistry.GlobalTypes.FindMessageByName(d.FullName())
	if err != nil {
		return nil, err
	}
	return typ.New().Interface(), nil
}

// Get reads one resource; its kind follows from its name, such as engines/a. Reason: NAME_UNKNOWN.
func (c Client) Get(ctx context.Context, name string) (proto.Message, error) {
	m := getter(name)
	if m == nil {
		return nil, fault.Invalid("name", "NAME_UNKNOWN", "No resource is named like %q. Names are as in addresses, such as engines/a.", name)
	}
	request, err := json.Marshal(map[string]string{"name": name})
	if err != nil {
		return nil, err
	}
	return c.Ask(ctx, string(m.FullName()), string(request), false)
}

// getter is the Get method whose address takes a name; nil when none does.
func getter(name string) protoreflect.MethodDescriptor {
	for _, m := range Methods() {
		rule, _ := proto.GetExtension(m.Options(), annotations.E_Http).(*annotations.HttpRule)
		pattern, ok := strings.CutPrefix(rule.GetGet(), "/v1/{name=")
		if !ok || !strings.HasPrefix(string(m.Name()), "Get") {
			continue
		}
		if matched, err := path.Match(strings.TrimSuffix(pattern, "}"), name); err == nil && matched {
			return m
		}
	}
	return nil
}
