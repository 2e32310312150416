package agentdoor

import (
	"context"
	"encoding/json"
	"fmt"

	"github.com/modelcontextprotocol/go-sdk/mcp"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
)

// maxAnswer is the largest answer in bytes, as it is sent; the same JSON stands in it twice, as data and as text for clients
// that read only text.
const maxAnswer = 31 << 10

// usualPage is the page that is asked for when an answer has pages and the caller sets no size.
const usualPage = 20

// fitting makes the call and cuts the answer to what may be sent: a page becomes shorter, so that the next one goes on where
// it ends; lists in an answer without pages are cut, and the answer says so.
func (t *tool) fitting(ctx context.Context, request proto.Message) (*mcp.CallToolResult, error) {
	size := t.input.Fields().ByName("page_size")
	m := request.ProtoReflect()
	if size != nil && m.Get(size).Int() == 0 {
		m.Set(size, protoreflect.ValueOfInt32(usualPage))
	}
	for {
		answer, err := t.invoke(ctx, request)
		if err != nil {
			return nil, err
		}
		body := describe(answer.ProtoReflect(), "")
		body[notice] = reminder
		if size == nil {
			return t.cut(body)
		}
		if token, _ := body["next_page_token"].(string); token != "" {
			body[howToContinue] = fmt.Sprintf("There are more. Call %s again with the same arguments and page_token %q, page_size %d.",
				t.name, token, m.Get(size).Int())
		}
		result, fits, err := resultOf(body)
		if err != nil || fits {
			return result, err
		}
		if m.Get(size).Int() == 1 {
			return t.cut(body)
		}
		m.Set(size, protoreflect.ValueOfInt32(max(1, int32(m.Get(size).Int())/2)))
	}
}

// cut shortens the largest list until the answer fits.
func (t *tool) cut(body object) (*mcp.CallToolResult, error) {
	for {
		result, fits, err := resultOf(body)
		if err != nil || fits {
			return result, err
		}
		list, in, key := longest(body)
		if list == nil {
			return nil, fmt.Errorf("an answer of %s is too large to send", t.name)
		}
		in[key] = list[:len(list)/2]
		body[howToContinue] = fmt.Sprintf("The answer was too large: lists were cut, the last of them %s, to its first %d. Narrow the call (%v), "+
			"or read the whole over the suite's API.", key, len(list)/2, t.arguments())
	}
}

// longest finds the list that takes the most room, and where it is.
func longest(v any) (list []any, in object, key string) {
	most := 0
	var walk func(v any)
	walk = func(v any) {
		switch v := v.(type) {
		case object:
			for k, child := range v {
				if l, ok := child.([]any); ok && len(l) > 0 {
					if text, err := json.Marshal(l); err == nil && len(text) > most {
						most, list, in, key = len(text), l, v, k
					}
				} else {
					walk(child)
				}
			}
		case []any:
			for _, child := range v {
				walk(child)
			}
		}
	}
	walk(v)
	return list, in, key
}

// resultOf is an answer as it is sent, and whether it may be.
func resultOf(body object) (*mcp.CallToolResult, bool, error) {
	text, err := json.Marshal(body)
	if err != nil {
		return nil, false, err
	}
	result := &mcp.CallToolResult{StructuredContent: json.RawMessage(text), Content: []mcp.Content{&mcp.TextContent{Text: string(text)}}}
	sent, err := json.Marshal(result)
	return result, len(sent) <= maxAnswer, err
}
