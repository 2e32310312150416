package gateway_test

import (
	"bytes"
	"context"
	"runtime"
	"slices"
	"strings"
	"testing"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/encoding/protowire"
	"google.golang.org/protobuf/proto"

	accessv1 "coldsection.example/proto/coldsection/access/v1"
	consumablesv1 "coldsection.example/proto/coldsection/consumables/v1"
	"coldsection.example/services/platform/clock"
	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/rpc"
	"coldsection.example/services/platform/rpc/rpctest"
)

// asBytes sends bytes as they are, as a client does whose messages are made by hand.
type asBytes struct{}

// Marshal gives the bytes.
func (asBytes) Marshal(v any) ([]byte, error) {
	text, _ := v.([]byte)
	return text, nil
}

// Unmarshal leaves the answer alone.
func (asBytes) Unmarshal(_ []byte, _ any) error { return nil }

// Name is that of protobuf's codec, so that the content type is.
func (asBytes) Name() string { return "proto" }

// wire is the gateway's public address without anything of ours in between.
func (w *world) wire() grpc.ClientConnInterface {
	doubting, _ := w.conn.(*rpctest.Doubting)
	return doubting.ClientConnInterface
}

// target is the address of the gateway's gRPC.
func (w *world) target() string {
	conn, _ := w.wire().(*grpc.ClientConn)
	return conn.Target()
}

// sendBytes makes a call of bytes, of a method that answers once or streams.
func (w *world) sendBytes(method string, streams bool, text []byte, more ...grpc.CallOption) error {
	w.t.Helper()
	options := append([]grpc.CallOption{grpc.ForceCodec(asBytes{})}, more...)
	if !streams {
		return w.wire().Invoke(w.as(w.admin), method, text, &accessv1.Account{}, options...)
	}
	ctx, cancel := context.WithTimeout(w.as(w.admin), time.Minute)
	defer cancel()
	stream, err := w.wire().NewStream(ctx, &grpc.StreamDesc{ServerStreams: true}, method, options...)
	if err != nil {
		return err
	}
	if err = stream.SendMsg(text); err == nil {
		err = stream.CloseSend()
	}
	if err != nil {
		return err
	}
	return stream.RecvMsg(&accessv1.Account{})
}

// field is a field of bytes.
func field(number protowire.Number, content []byte) []byte {
	return protowire.AppendBytes(protowire.AppendTag(nil, number, protowire.BytesType), content)
}

// nested is a group in a group and so on, or a message in a message.
func nested(deep int, groups bool) (text []byte) {
	if groups {
		text = bytes.Repeat(protowire.AppendTag(nil, 1, protowire.StartGroupType), deep)
		return append(text, bytes.Repeat(protowire.AppendTag(nil, 1, protowire.EndGroupType), deep)...)
	}
	for range deep {
		text = field(1, text)
	}
	return text
}

// called is an item of a name.
func called(name string) *consumablesv1.CreateItemRequest {
	return &consumablesv1.CreateItemRequest{Item: &consumablesv1.Item{DisplayName: name}}
}

// heap is what the process holds at most while fn runs, above what it held before, in bytes.
func heap(fn func()) uint64 {
	var before, after runtime.MemStats
	runtime.GC()
	runtime.ReadMemStats(&before)
	fn()
	runtime.ReadMemStats(&after)
	return after.Sys - before.Sys
}

// Cases A5, A7, A8: bytes that are no message of a method are refused as the caller's mistake, on calls that the gateway answers itself, that it passes on,
// and on streams; never as a failure of ours.
func TestNoBytesAreAFailureOfOurs(t *testing.T) {
	w := newWorld(t)
	methods := map[string]bool{
		accessv1.AccessQueryService_ListAccounts_FullMethodName: false, consumablesv1.ConsumablesService_CreateItem_FullMethodName: false,
		accessv1.EventsService_WatchEvents_FullMethodName: true,
	}
	for what, text := range map[string][]byte{
		"a truncated varint": {0x08, 0xff}, "a varint of eleven bytes": append([]byte{0x08}, bytes.Repeat([]byte{0xff}, 11)...),
		"a length beyond the end": {0x0a, 0x7f, 'a'}, "a length beyond any memory": append([]byte{0x0a}, bytes.Repeat([]byte{0xff}, 9)...),
		"no wire type": {0x0f}, "an end without its group": {0x0c}, "a group without its end": {0x0b}, "field zero": {0x02, 0x00},
		"every field of another type": {0x0d, 1, 2, 3, 4, 0x15, 1, 2, 3, 4, 0x1d, 1, 2, 3, 4}, "rubbish": []byte("GET / HTTP/1.1\r\n\r\n"),
		"text that is not UTF-8": field(2, field(2, []byte{0xc3, 0x28})), "an overlong form": field(2, field(2, []byte{0xc0, 0xaf})),
		"half a surrogate pair": field(2, field(2, []byte{0xed, 0xa0, 0x80})), "groups ten thousand deep": nested(10_001, true),
		"messages a thousand deep": nested(1_000, false), "a megabyte of one byte": bytes.Repeat([]byte{0xff}, 1<<20),
	} {
		for method, streams := range methods {
			began := clock.System().Now()
			err := w.sendBytes(method, streams, text)
			f, _ := fault.As(rpc.FromStatus(err))
			if status.Code(err) != codes.InvalidArgument || f == nil || f.Reason == "" {
				t.Errorf("%s, %s: %v", what, method, err)
			}
			if took := clock.System().Now().Sub(began); took > 2*time.Second {
				t.Errorf("%s, %s: it took %v", what, method, took)
			}
		}
	}
	if w.made.Load() != 0 {
		t.Errorf("%d items were made", w.made.Load())
	}
}

// Case A8: a message that is sent in parts is one message, and is judged whole.
func TestAMessageInPartsIsJudgedWhole(t *testing.T) {
	w := newWorld(t)
	part := func(item *consumablesv1.Item) []byte {
		text, err := proto.Marshal(&consumablesv1.CreateItemRequest{Item: item})
		if err != nil {
			t.Fatal(err)
		}
		return text
	}
	good := &consumablesv1.Item{DisplayName: "brush", Kind: consumablesv1.Item_CLEANER, BaseUnitCode: "L"}
	for what, c := range map[string]struct {
		parts []*consumablesv1.Item
		bad   bool
	}{
		"two halves":             {[]*consumablesv1.Item{{DisplayName: "brush", Kind: consumablesv1.Item_CLEANER}, {BaseUnitCode: "L"}}, false},
		"one half":               {[]*consumablesv1.Item{{DisplayName: "brush", Kind: consumablesv1.Item_CLEANER}}, true},
		"a bad part behind":      {[]*consumablesv1.Item{good, {Kind: 99}}, true},
		"a bad part made good":   {[]*consumablesv1.Item{{Kind: 99}, good}, false},
		"a long text in parts":   {[]*consumablesv1.Item{good, {DisplayName: strings.Repeat("a", 500)}}, true},
		"a good one a few times": {[]*consumablesv1.Item{good, good, good}, false},
	} {
		var text []byte
		for _, p := range c.parts {
			text = append(text, part(p)...)
		}
		err := w.sendBytes(consumablesv1.ConsumablesService_CreateItem_FullMethodName, false, text)
		if c.bad != (reasonOf(err) == "FIELD_INVALID") || !c.bad && err != nil {
			t.Errorf("%s: %v", what, err)
		}
	}
}

// Case A9: what is small on the wire and large in memory, or whose refusal would be larger than any header, is refused in few words; memory stays within
// a hundred megabytes, and other calls on the connection go on.
func TestWhatSwellsIsRefusedInFewWords(t *testing.T) {
	w := newWorld(t)
	erp := w.hire("erp", "integrator", "admin")
	ids := func(key, value string) proto.Message {
		return &consumablesv1.CreateItemRequest{Item: &consumablesv1.Item{
			DisplayName: "brush", Kind: consumablesv1.Item_CLEANER, BaseUnitCode: "L", ExternalIds: map[string]string{key: value},
		}}
	}
	above := heap(func() {
		for what, c := range map[string]struct {
			method string
			req    proto.Message
		}{
			"a hundred thousand empty messages": {accessv1.PostingsService_BatchAcknowledgePostings_FullMethodName, &accessv1.BatchAcknowledgePostingsRequest{
				Requests: slices.Repeat([]*accessv1.AcknowledgePostingRequest{{}}, 100_000),
			}},
			"a hundred thousand words": {accessv1.AccessService_CreateAccount_FullMethodName, &accessv1.CreateAccountRequest{Account: &accessv1.Account{
				Login: "x", DisplayName: "x", Kind: accessv1.Account_HUMAN, Roles: slices.Repeat([]string{"a"}, 100_000),
			}}},
			"a name of four megabytes":      {consumablesv1.ConsumablesService_CreateItem_FullMethodName, called(strings.Repeat("a", (4<<20)-64))},
			"a million combining marks":     {consumablesv1.ConsumablesService_CreateItem_FullMethodName, called("a" + strings.Repeat("\u0301", 1_000_000))},
			"blanks under a key of 100 kB":  {consumablesv1.ConsumablesService_CreateItem_FullMethodName, ids(strings.Repeat("k", 100<<10), "  ")},
			"a place of a megabyte":         {accessv1.EventsService_ListEvents_FullMethodName, &accessv1.ListEventsRequest{After: strings.Repeat("9", 1<<20)}},
			"a filter of a megabyte":        {accessv1.AccessQueryService_ListAccounts_FullMethodName, &accessv1.ListAccountsRequest{Filter: strings.Repeat("x", 1<<20)}},
			"ten thousand alternatives":     {accessv1.AccessQueryService_ListAccounts_FullMethodName, &accessv1.ListAccountsRequest{Filter: strings.Repeat("login=a OR ", 10_000) + "login=a"}},
			"parentheses ten thousand deep": {accessv1.AccessQueryService_ListAccounts_FullMethodName, &accessv1.ListAccountsRequest{Filter: strings.Repeat("(", 10_000)}},
			"an order of a megabyte":        {accessv1.AccessQueryService_ListAccounts_FullMethodName, &accessv1.ListAccountsRequest{OrderBy: strings.Repeat("login,", 200_000)}},
			"a page token of a megabyte":    {accessv1.AccessQueryService_ListAccounts_FullMethodName, &accessv1.ListAccountsRequest{PageToken: strings.Repeat("A", 1<<20)}},
		} {
			began := clock.System().Now()
			err := w.wire().Invoke(w.as(erp), c.method, c.req, &accessv1.Account{})
			f, _ := fault.As(rpc.FromStatus(err))
			s, _ := status.FromError(err)
			if size := proto.Size(s.Proto()); s.Code() != codes.InvalidArgument || f == nil || f.Reason == "" || size > 12_000 {
				t.Errorf("%s: %d bytes, %.300v", what, size, err)
			}
			if took := clock.System().Now().Sub(began); took > 10*time.Second {
				t.Errorf("%s: it took %v", what, took)
			}
		}
	})
	t.Logf("memory grew by %d kB", above>>10)
	if above > 100<<20 {
		t.Errorf("memory grew by %d MB", above>>20)
	}
}
