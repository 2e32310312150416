package rpc_test

import (
	"context"
	"strings"
	"testing"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/credentials/insecure"
	"google.golang.org/grpc/encoding"
	"google.golang.org/grpc/metadata"
	"google.golang.org/grpc/status"

	consumablesv1 "coldsection.example/proto/coldsection/consumables/v1"
	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/rpc"
)

// raw sends bytes as they are, and is no codec that the server has: the content type stays that of protobuf.
type raw struct{}

func (raw) Marshal(v any) ([]byte, error)   { return v.([]byte), nil }
func (raw) Unmarshal(_ []byte, _ any) error { return nil }
func (raw) Name() string                    { return "proto" }

var _ encoding.Codec = raw{}

// plain connects to a server over the network without anything of ours in between.
func (f fixture) plain(t *testing.T) *grpc.ClientConn {
	t.Helper()
	conn, err := grpc.NewClient(f.network, grpc.WithTransportCredentials(insecure.NewCredentials()),
		grpc.WithDefaultCallOptions(grpc.MaxCallRecvMsgSize(64<<20)))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = conn.Close() })
	return conn
}

// Case A8.
func TestBytesThatAreNoMessageAreRefused(t *testing.T) {
	conn := serve(t, anItem).overNetwork(t).plain(t)
	for name, bytes := range map[string][]byte{
		"a truncated varint": {0x08, 0xff}, "a length beyond the end": {0x12, 0x7f, 'a'}, "no wire type": {0x0f},
		"text that is not UTF-8": {0x12, 0x02, 0xc3, 0x28}, "an end without its group": {0x0c},
	} {
		err := conn.Invoke(t.Context(), "/coldsection.consumables.v1.ConsumablesQueryService/ListItems", bytes, &consumablesv1.ListItemsResponse{}, grpc.ForceCodec(raw{}))
		if status.Code(err) != codes.InvalidArgument || !fault.HasReason(rpc.FromStatus(err), "REQUEST_UNREADABLE") {
			t.Errorf("%s: %v", name, err)
		}
	}
}

func anItem(context.Context) (*consumablesv1.Item, error) { return &consumablesv1.Item{}, nil }

// At each limit a call passes, above it is refused and says why.
func TestLimitsOfACall(t *testing.T) {
	conn := serve(t, anItem).overNetwork(t).plain(t)
	const listItems, largest, frame = "/coldsection.consumables.v1.ConsumablesQueryService/ListItems", 4 << 20, 5
	filter := func(bytes int) *consumablesv1.ListItemsRequest {
		return &consumablesv1.ListItemsRequest{Filter: strings.Repeat("a", bytes-frame)} // a tag and four bytes of length
	}
	send := func(ctx context.Context, m *consumablesv1.ListItemsRequest) error {
		return conn.Invoke(ctx, listItems, m, &consumablesv1.ListItemsResponse{})
	}
	if err := send(t.Context(), filter(largest)); status.Code(err) != codes.Unimplemented {
		t.Errorf("a message at the limit: %v", err)
	}
	if err := send(t.Context(), filter(largest+1)); status.Code(err) != codes.ResourceExhausted || !strings.Contains(err.Error(), "4194304") ||
		!fault.HasReason(rpc.FromStatus(err), "REQUEST_TOO_LARGE") {
		t.Errorf("a message above the limit: %v", err)
	}
	header := func(bytes int) context.Context {
		return metadata.AppendToOutgoingContext(t.Context(), "note", strings.Repeat("a", bytes))
	}
	if err := send(header(24<<10), filter(frame)); status.Code(err) != codes.Unimplemented {
		t.Errorf("a header of 24 KiB does not reach the service: %v", err)
	}
	if err := send(header(33<<10), filter(frame)); !strings.Contains(err.Error(), "header list size") {
		t.Errorf("a header of 33 KiB: %v", err)
	}
}
