package gateway_test

import (
	"context"
	"strings"
	"testing"

	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc"
	"google.golang.org/grpc/metadata"
	"google.golang.org/grpc/status"

	"coldsection.example/gateway"
	accessv1 "coldsection.example/proto/coldsection/access/v1"
	consumablesv1 "coldsection.example/proto/coldsection/consumables/v1"
)

// idOf is the request's id in a refusal over gRPC; "" unless it stands there once.
func idOf(err error) string {
	var found []string
	for _, d := range status.Convert(err).Details() {
		if info, ok := d.(*errdetails.RequestInfo); ok {
			found = append(found, info.GetRequestId())
		}
	}
	if len(found) != 1 {
		return ""
	}
	return found[0]
}

// Every answer over HTTP names its request, and a refusal does in its body too: as the caller did, if that may stand in a log, or anew.
func TestAnAnswerNamesItsRequest(t *testing.T) {
	w := newWorld(t)
	long := strings.Repeat("x", 128)
	seen := map[string]bool{}
	for _, path := range []string{"/v1/items/a", "/v1/items/none", "/v1/nothing", "/v1/accounts?filter=x", "/v1/items/a?wrong=1"} {
		for sent, kept := range map[string]bool{"erp-17": true, "~!": true, long: true, "": false, "a b": false, "a\tb": false, "é": false, long + "x": false} {
			code, body, header := w.rest("GET", path, w.admin, "", "X-Request-ID", sent)
			id := header.Get("X-Request-ID")
			if kept && id != sent || !kept && (id == sent || id == "" || seen[id]) || len(header.Values("X-Request-ID")) != 1 {
				t.Errorf("%s, %q: named %q", path, sent, id)
			}
			seen[id] = true
			if said, told := body["requestId"]; code >= 400 && said != id || code < 400 && told {
				t.Errorf("%s, %q: %d, the header says %q, the body %v", path, sent, code, id, said)
			}
		}
	}
	for _, token := range []string{"", "css_stolen"} { // also who is refused at the door
		_, body, header := w.rest("GET", "/v1/items/a", token, "")
		if id := header.Get("X-Request-ID"); id == "" || body["requestId"] != id {
			t.Errorf("token %q: the header says %q, the body %v", token, id, body)
		}
	}
}

// A refusal over gRPC names its request once, whether it is the gateway's or that of a service behind it.
func TestARefusalOverGRPCNamesItsRequest(t *testing.T) {
	w := newWorld(t)
	items := consumablesv1.NewConsumablesQueryServiceClient(w.conn)
	for name, token := range map[string]string{"items/none": w.admin, "": w.admin, "items/a": "css_stolen"} {
		ctx := w.as(token)
		_, first := items.GetItem(ctx, &consumablesv1.GetItemRequest{Name: name})
		_, second := items.GetItem(ctx, &consumablesv1.GetItemRequest{Name: name})
		if idOf(first) == "" || idOf(first) == idOf(second) {
			t.Errorf("%q: %v and %v", name, status.Convert(first).Details(), status.Convert(second).Details())
		}
		_, chosen := items.GetItem(metadata.AppendToOutgoingContext(ctx, "coldsection-request-id", "erp-17"), &consumablesv1.GetItemRequest{Name: name})
		if idOf(chosen) != "erp-17" {
			t.Errorf("%q: %v", name, status.Convert(chosen).Details())
		}
		_, odd := items.GetItem(metadata.AppendToOutgoingContext(ctx, "coldsection-request-id", "two words"), &consumablesv1.GetItemRequest{Name: name})
		if id := idOf(odd); id == "" || id == "two words" {
			t.Errorf("%q: %v", name, status.Convert(odd).Details())
		}
	}
}

// asItIs sends bytes as they are, under the content type of protobuf.
type asItIs struct{}

func (asItIs) Marshal(v any) ([]byte, error)   { return v.([]byte), nil }
func (asItIs) Unmarshal(_ []byte, _ any) error { return nil }
func (asItIs) Name() string                    { return "proto" }

// What is refused before a call has a handler, or on a stream, names its request as every other refusal: as its caller did, or anew.
func TestARefusalAtTheDoorNamesItsRequest(t *testing.T) {
	w := newWorld(t, func(c *gateway.Config) { c.Limits = gateway.Limits{CallsAtOnce: 3, StrangersPerSecond: 1} })
	w.happen("lots/a", "f1")
	watch := func(ctx context.Context, cursor string) error {
		stream, err := accessv1.NewEventsServiceClient(w.conn).WatchEvents(ctx, &accessv1.WatchEventsRequest{After: cursor})
		if err == nil {
			_, err = stream.Recv()
		}
		return err
	}
	const items = "/coldsection.consumables.v1.ConsumablesQueryService/"
	refusals := map[string]func(ctx context.Context) error{
		"CURSOR_INVALID": func(ctx context.Context) error { return watch(ctx, "none") },
		"CREDENTIALS_WRONG": func(ctx context.Context) error {
			return watch(metadata.AppendToOutgoingContext(ctx, "authorization", "Bearer css_stolen"), "")
		},
		"CALL_UNKNOWN": func(ctx context.Context) error {
			return w.conn.Invoke(ctx, items+"Nothing", &consumablesv1.GetItemRequest{}, &consumablesv1.Item{})
		},
		"REQUEST_UNREADABLE": func(ctx context.Context) error {
			return w.conn.Invoke(ctx, items+"GetItem", []byte{0x08, 0xff}, &consumablesv1.Item{}, grpc.ForceCodec(asItIs{}))
		},
	}
	namesItself := func(reason string, refused func(ctx context.Context) error, token string) {
		t.Helper()
		ctx := w.as(token)
		if reason == "CREDENTIALS_WRONG" {
			ctx = t.Context()
		}
		chosen := refused(metadata.AppendToOutgoingContext(ctx, "coldsection-request-id", "erp-17"))
		first, second := refused(ctx), refused(ctx)
		if reasonOf(chosen) != reason || idOf(chosen) != "erp-17" {
			t.Errorf("%s: %v %v", reason, chosen, status.Convert(chosen).Details())
		}
		if reasonOf(first) != reason || idOf(first) == "" || idOf(first) == idOf(second) {
			t.Errorf("%s: %v and %v", reason, status.Convert(first).Details(), status.Convert(second).Details())
		}
	}
	for reason, refused := range refusals {
		namesItself(reason, refused, w.admin)
	}
	get := func(ctx context.Context) error {
		_, err := consumablesv1.NewConsumablesQueryServiceClient(w.conn).GetItem(ctx, &consumablesv1.GetItemRequest{Name: "items/a"})
		return err
	}
	for range 3 {
		if _, err := sawOne(w); err != nil {
			t.Fatal(err)
		}
	}
	namesItself("TOO_MANY_CALLS_AT_ONCE", get, w.admin)
	for sent, kept := range map[string]bool{"erp-17": true, "two words": false} {
		_, problem, header := w.rest("GET", "/v1/items/a", w.admin, "", "X-Request-ID", sent)
		id := header.Get("X-Request-ID")
		if problem["reason"] != "TOO_MANY_CALLS_AT_ONCE" || problem["requestId"] != id || id == "" || (id == sent) != kept {
			t.Errorf("over HTTP: %v, the header says %q", problem, id)
		}
	}
}

// sawOne opens a stream that stays open until the end of the test.
func sawOne(w *world) (*accessv1.WatchEventsResponse, error) {
	stream, err := accessv1.NewEventsServiceClient(w.conn).WatchEvents(w.as(w.admin), &accessv1.WatchEventsRequest{})
	if err != nil {
		return nil, err
	}
	return stream.Recv()
}

// Who calls too often is told the request's name too, known or not.
func TestARefusalOfTooManyCallsNamesItsRequest(t *testing.T) {
	w := newWorld(t, func(c *gateway.Config) { c.Limits = gateway.Limits{CallsPerSecond: 1} })
	busy := w.hire("busy", "stores")
	var err error
	for range 10 {
		err = w.get(busy)
	}
	if reasonOf(err) != "TOO_MANY_CALLS" || idOf(err) == "" {
		t.Errorf("%v %v", err, status.Convert(err).Details())
	}
	if _, problem, header := w.rest("GET", "/v1/items/a", busy, ""); problem["reason"] != "TOO_MANY_CALLS" || problem["requestId"] != header.Get("X-Request-ID") || problem["requestId"] == "" {
		t.Errorf("over HTTP: %v %v", problem, header)
	}
}
