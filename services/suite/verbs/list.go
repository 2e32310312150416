package verbs

import (
	"context"
	"strings"

	"google.golang.org/protobuf/reflect/protoreflect"

	"coldsection.example/services/platform/fault"
)

// Query says what to list.
type Query struct {
	Collection    string // such as engines
	Parent        string // of a collection that belongs to something; "" reads across all
	Filter, Order string
	Limit         int // the most to list; 0 means all
}

// List walks the pages of a collection and hands on each resource. Reasons: COLLECTION_UNKNOWN, COLUMN_UNKNOWN, LIMIT_INVALID.
func (c Client) List(ctx context.Context, q Query, rows Rows) error {
	if q.Limit < 0 {
		return fault.Invalid("limit", "LIMIT_INVALID", "The most to list can't be %d; give a number above 0, or leave --limit out for all.", q.Limit)
	}
	m, err := method("List" + strings.ToUpper(q.Collection[:min(1, len(q.Collection))]) + q.Collection[min(1, len(q.Collection)):])
	if err != nil {
		return fault.Invalid("collection", "COLLECTION_UNKNOWN", "There is no collection %q. Collections are named as in addresses, such as workOrders.", q.Collection)
	}
	request, err := message(m.Input())
	if err != nil {
		return err
	}
	in := request.ProtoReflect()
	set := func(field protoreflect.Name, value any) {
		if f := in.Descriptor().Fields().ByName(field); f != nil {
			in.Set(f, protoreflect.ValueOf(value))
		}
	}
	set("filter", q.Filter)
	set("order_by", q.Order)
	set("parent", parentOf(m, q.Parent))
	const page = 1000
	for n := 0; ; {
		size := page
		if q.Limit > 0 {
			size = min(page, q.Limit-n)
		}
		set("page_size", int32(size))
		answer, err := c.invoke(ctx, m, request)
		if err != nil {
			return err
		}
		if err := rows.Begin(m.Output().Fields().ByNumber(1).Message()); err != nil {
			return err
		}
		out := answer.ProtoReflect()
		list := out.Get(m.Output().Fields().ByNumber(1)).List()
		if err := writeAll(rows, list); err != nil {
			return err
		}
		n += list.Len()
		token := out.Get(m.Output().Fields().ByName("next_page_token")).String()
		if token == "" || q.Limit > 0 && n >= q.Limit {
			return nil
		}
		set("page_token", token)
	}
}

func writeAll(rows Rows, list protoreflect.List) error {
	for i := range list.Len() {
		if err := rows.Write(list.Get(i).Message()); err != nil {
			return err
		}
	}
	return nil
}

// parents are the collections that others belong to, by the collection that belongs.
var parents = map[string]string{
	"ListFindings": "workOrders", "ListSteps": "workOrders", "ListMeasurements": "workOrders", "ListMotoringRuns": "workOrders",
	"ListLabourEntries": "workOrders", "ListSignatures": "workOrders", "ListAttachments": "workOrders",
	"ListReadings": "engines", "ListEngineEvents": "engines", "ListWashAdvices": "engines", "ListRecoveries": "engines",
	"ListUtilizations": "aircraft", "ListAccomplishments": "requirements", "ListToolUses": "tools", "ListAuthorizations": "people",
	"ListWaterTests": "lots", "ListLifeStatuses": "components", "ListApiKeys": "accounts",
}

// parentOf is the parent to list under: the one that was named, or all.
func parentOf(m protoreflect.MethodDescriptor, named string) string {
	if named != "" || m.Input().Fields().ByName("parent") == nil {
		return named
	}
	if all, ok := parents[string(m.Name())]; ok {
		return all + "/-"
	}
	return ""
}
