package gateway_test

import (
	"strings"
	"testing"

	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc/metadata"
	"google.golang.org/grpc/status"

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
			code, body, header := w.rest("GET", path, w.admin, "", "X-Request-Id", sent)
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
