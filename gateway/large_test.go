package gateway_test

import (
	"bytes"
	"encoding/base64"
	"strings"
	"testing"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/encoding/gzip"
	"google.golang.org/grpc/status"

	accessv1 "coldsection.example/proto/coldsection/access/v1"
	consumablesv1 "coldsection.example/proto/coldsection/consumables/v1"
	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/rpc"
)

// Case A9: a request of 5 MB is refused before it is read, on calls that the gateway answers itself, that it passes on, and on streams: its bytes are no
// message, which nobody finds out.
func TestALargeRequestIsRefusedBeforeItIsRead(t *testing.T) {
	w := newWorld(t)
	rubbish := bytes.Repeat([]byte{0xff}, 5<<20)
	for method, streams := range map[string]bool{
		accessv1.AccessQueryService_ListAccounts_FullMethodName: false, consumablesv1.ConsumablesService_CreateItem_FullMethodName: false,
		accessv1.EventsService_WatchEvents_FullMethodName: true,
	} {
		for how, more := range map[string][]grpc.CallOption{"as it is": nil, "packed": {grpc.UseCompressor(gzip.Name)}} {
			err := w.sendBytes(method, streams, rubbish, more...)
			f, _ := fault.As(rpc.FromStatus(err))
			if status.Code(err) != codes.ResourceExhausted || f == nil || f.Reason != "REQUEST_TOO_LARGE" || !strings.Contains(f.Message, "4194304 bytes") || idOf(err) == "" {
				t.Errorf("%s, %s: %v, of request %q", method, how, err, idOf(err))
			}
		}
	}
	code, problem, header := w.rest("POST", "/v1/items", w.admin, strings.Repeat("{", 5<<20))
	if detail, _ := problem["detail"].(string); code != 413 || problem["reason"] != "REQUEST_TOO_LARGE" || !strings.Contains(detail, "4194304 bytes") ||
		problem["requestId"] != header.Get("X-Request-ID") {
		t.Errorf("REST: %d %v", code, problem)
	}
	if w.made.Load() != 0 {
		t.Errorf("%d items were made", w.made.Load())
	}
}

// Case A9: a file has room, up to what the contract takes, over REST too, where base64 makes it longer by a third.
func TestAFileMayBeLarge(t *testing.T) {
	w := newWorld(t)
	file := bytes.Repeat([]byte("a"), 16<<20)
	_, err := consumablesv1.NewConsumablesServiceClient(w.conn).ImportStock(w.as(w.admin), &consumablesv1.ImportStockRequest{Rows: consumablesv1.ImportStockRequest_LOTS, Content: file})
	if status.Code(err) != codes.Unimplemented { // it came to its service, which imports nothing here
		t.Errorf("gRPC: %v", err)
	}
	body := `{"rows":"LOTS","content":"` + base64.StdEncoding.EncodeToString(file) + `"}`
	if code, problem, _ := w.rest("POST", "/v1/lots:import", w.admin, body); code != 501 {
		t.Errorf("REST: %d %v", code, problem)
	}
	if code, problem, _ := w.rest("POST", "/v1/lots:import", w.admin, body+strings.Repeat(" ", 1<<20)); code != 413 || problem["reason"] != "REQUEST_TOO_LARGE" {
		t.Errorf("REST, above 22 MiB: %d %v", code, problem)
	}
}
