package rpctest_test

import (
	"context"
	"fmt"
	"strings"
	"testing"

	"google.golang.org/grpc"
	"google.golang.org/protobuf/proto"

	consumablesv1 "coldsection.example/proto/coldsection/consumables/v1"
	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/rpc"
	"coldsection.example/services/platform/rpc/rpctest"
)

// owner is a server of one method that may be careless in one way.
type owner struct {
	careless string
	answers  map[string]string // by key
	made     int
}

func (o *owner) Invoke(_ context.Context, _ string, args, reply any, _ ...grpc.CallOption) error {
	var key, etag string
	var dry bool
	switch req := args.(type) {
	case *consumablesv1.HoldLotRequest:
		key, etag = req.GetRequestId(), req.GetEtag()
	case *consumablesv1.UpdateItemRequest:
		key, etag, dry = req.GetRequestId(), req.GetItem().GetEtag(), req.GetValidateOnly()
	}
	if etag == "v0" && o.careless != "versions" {
		return rpc.ToStatus(fault.StaleEtag("lots/a"))
	}
	if dry && o.careless == "asking" {
		return rpc.ToStatus(fault.Invalid("item", "FIELD_INVALID", "No. Correct it."))
	}
	name, known := o.answers[key]
	if !known || o.careless == "keys" {
		o.made++
		name = fmt.Sprintf("lots/%d", o.made)
	}
	o.answers[key] = name
	made := &consumablesv1.Lot{Name: name}
	if item, ok := reply.(*consumablesv1.Item); ok {
		item.Name = name
		return nil
	}
	proto.Merge(reply.(*consumablesv1.Lot), made)
	return nil
}

func (*owner) NewStream(context.Context, *grpc.StreamDesc, string, ...grpc.CallOption) (grpc.ClientStream, error) {
	panic("no streams here")
}

// told keeps what a test is told.
type told struct {
	testing.TB

	errors []string
}

func (*told) Helper() {}

func (t *told) Errorf(format string, args ...any) {
	t.errors = append(t.errors, fmt.Sprintf(format, args...))
}

// Each doubt is raised by the server that deserves it and by no other.
func TestACarelessServerIsFoundOut(t *testing.T) {
	t.Setenv(rpctest.DoubtsVariable, "1000")
	for careless, want := range map[string]string{
		"": "", "versions": "a version that there never was", "asking": "would be answered", "keys": "again with its key",
	} {
		heard := &told{TB: t}
		conn := &rpctest.Doubting{ClientConnInterface: &owner{careless: careless, answers: map[string]string{}}, T: heard}
		client := consumablesv1.NewConsumablesServiceClient(conn)
		for range 2 {
			if _, err := client.HoldLot(t.Context(), &consumablesv1.HoldLotRequest{Name: "lots/a", Etag: "v1"}); err != nil {
				t.Fatal(err)
			}
			_, _ = client.UpdateItem(t.Context(), &consumablesv1.UpdateItemRequest{Item: &consumablesv1.Item{Name: "items/a"}})
		}
		all := strings.Join(heard.errors, "\n")
		if (want == "") != (all == "") || !strings.Contains(all, want) {
			t.Errorf("%q: %s", careless, all)
		}
	}
}
