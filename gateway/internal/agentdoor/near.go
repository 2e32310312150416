package agentdoor

import (
	"cmp"
	"context"
	"encoding/json"
	"slices"
	"strings"

	"github.com/modelcontextprotocol/go-sdk/mcp"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/reflect/protoregistry"

	"coldsection.example/services/platform/config"
	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/rpc"
)

// mostNear is how many near names a refusal suggests.
const mostNear = 3

// refused answers with a refusal: its reason, what to change, and near names when a name is not known.
func (t *tool) refused(ctx context.Context, arguments json.RawMessage, err error) *mcp.CallToolResult {
	body := object{"reason": "INTERNAL", "detail": "The suite could not answer. Try again later."}
	if f, ok := fault.As(err); ok {
		body = object{"reason": f.Reason, untrusted: object{"detail": short(f.Message)}}
		if f.Category == fault.NotFound {
			if near := t.near(ctx, arguments); len(near) > 0 {
				body["near_names"] = near
			}
		}
	}
	text, err := json.Marshal(body)
	if err != nil {
		text = []byte(`{"reason":"INTERNAL"}`)
	}
	return &mcp.CallToolResult{IsError: true, Content: []mcp.Content{&mcp.TextContent{Text: string(text)}}}
}

// short keeps a refusal readable that quotes what was sent, however long that was.
func short(text string) string {
	const most = 2000
	if r := []rune(text); len(r) > most {
		return string(r[:most]) + " … (cut)"
	}
	return text
}

// near are the names, at most three, that are nearest to a name in the arguments and that this caller may see.
func (t *tool) near(ctx context.Context, arguments json.RawMessage) []string {
	given := object{}
	if json.Unmarshal(arguments, &given) != nil {
		return nil
	}
	for _, argument := range t.arguments() {
		name, _ := given[argument].(string)
		collection, id, ok := strings.Cut(name, "/")
		if !ok {
			continue
		}
		id, rest, _ := strings.Cut(id, "/")
		known := t.known(ctx, collection)
		if len(known) == 0 || slices.ContainsFunc(known, func(k labelled) bool { return k.name == collection+"/"+id }) {
			continue
		}
		return nearest(known, id, rest)
	}
	return nil
}

// labelled is a resource with the other words by which people call it.
type labelled struct {
	name  string
	words []string
}

func nearest(known []labelled, id, rest string) []string {
	slices.SortFunc(known, func(a, b labelled) int {
		return cmp.Or(cmp.Compare(a.distance(id), b.distance(id)), cmp.Compare(a.name, b.name))
	})
	var out []string
	for _, k := range known[:min(mostNear, len(known))] {
		out = append(out, strings.TrimSuffix(k.name+"/"+rest, "/"))
	}
	return out
}

// distance is that of the nearest of a resource's words.
func (l labelled) distance(id string) int {
	id = strings.ToLower(id)
	least := config.Distance(l.name[strings.LastIndex(l.name, "/")+1:], id)
	for _, w := range l.words {
		least = min(least, config.Distance(strings.ToLower(w), id))
	}
	return least
}

// known are the resources of a collection that the caller may see, at most one page of them.
func (t *tool) known(ctx context.Context, collection string) []labelled {
	method := listOf(collection)
	if method == nil {
		return nil
	}
	request, err := newMessage(method.Input())
	if err != nil {
		return nil
	}
	answer, err := newMessage(method.Output())
	if err != nil {
		return nil
	}
	const page = 1000
	m := request.ProtoReflect()
	m.Set(m.Descriptor().Fields().ByName("page_size"), protoreflect.ValueOfInt32(page))
	path := "/" + string(method.Parent().FullName()) + "/" + string(method.Name())
	if rpc.FromStatus(t.conn.Invoke(ctx, path, request, answer)) != nil {
		return nil
	}
	var out []labelled
	list := answer.ProtoReflect().Get(method.Output().Fields().ByNumber(1)).List()
	for i := range list.Len() {
		out = append(out, labelOf(list.Get(i).Message()))
	}
	return out
}

func labelOf(m protoreflect.Message) labelled {
	var out labelled
	for _, word := range []protoreflect.Name{"name", "serial", "registration", "number", "short_code", "display_name", "code"} {
		f := m.Descriptor().Fields().ByName(word)
		if f == nil || f.Kind() != protoreflect.StringKind || m.Get(f).String() == "" {
			continue
		}
		if word == "name" {
			out.name = m.Get(f).String()
		} else {
			out.words = append(out.words, m.Get(f).String())
		}
	}
	return out
}

// listOf is the method that lists a collection, such as ListEngines for engines; nil when there is none without a parent.
func listOf(collection string) protoreflect.MethodDescriptor {
	if collection == "" {
		return nil
	}
	name := protoreflect.Name("List" + strings.ToUpper(collection[:1]) + collection[1:])
	for _, service := range []protoreflect.FullName{compliance, consumables, performance, workOrders} {
		d, err := protoregistry.GlobalFiles.FindDescriptorByName(service + "." + protoreflect.FullName(name))
		if err != nil {
			continue
		}
		if m, ok := d.(protoreflect.MethodDescriptor); ok && m.Input().Fields().ByName("parent") == nil {
			return m
		}
	}
	return nil
}
