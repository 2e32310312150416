package rpc_test

import (
	"math"
	"strings"
	"testing"

	"buf.build/go/protovalidate"
	"google.golang.org/protobuf/encoding/protowire"
	"google.golang.org/protobuf/proto"

	accessv1 "coldsection.example/proto/coldsection/access/v1"
	commonv1 "coldsection.example/proto/coldsection/common/v1"
	consumablesv1 "coldsection.example/proto/coldsection/consumables/v1"
	performancev1 "coldsection.example/proto/coldsection/performance/v1"
	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/rpc"
)

func TestRequestsAreCheckedToTheirDepth(t *testing.T) {
	v, err := protovalidate.New()
	if err != nil {
		t.Fatal(err)
	}
	foreign := &consumablesv1.Item{DisplayName: "cleaner", Kind: consumablesv1.Item_CLEANER, BaseUnitCode: "L"}
	foreign.ProtoReflect().SetUnknown(protowire.AppendVarint(protowire.AppendTag(nil, 999, protowire.VarintType), 1))
	limits := func(value float64) *performancev1.CreateEngineModelRequest {
		return &performancev1.CreateEngineModelRequest{EngineModel: &performancev1.EngineModel{Limits: []*performancev1.Limit{{MaxValue: value}}}}
	}
	for name, c := range map[string]struct {
		req            proto.Message
		reason, inText string
	}{
		"a field from the future":  {&consumablesv1.CreateItemRequest{Item: foreign}, "UNKNOWN_FIELD", "Item"},
		"no number":                {limits(math.NaN()), "NUMBER_NOT_FINITE", "engine_model.limits[0].max_value"},
		"spaces for a reason":      {&consumablesv1.HoldLotRequest{Name: "lots/a", Reason: " \t "}, "TEXT_BLANK", "reason"},
		"a character that is none": {&consumablesv1.HoldLotRequest{Name: "lots/a", Reason: "a\x00b"}, "TEXT_UNREADABLE", "reason"},
		"too much":                 {limits(math.Inf(-1)), "NUMBER_NOT_FINITE", "engine_model.limits[0].max_value"},
	} {
		err := rpc.Validate(v, c.req)
		if !fault.HasReason(err, c.reason) || !strings.Contains(err.Error(), c.inText) {
			t.Errorf("%s: want %s about %s, got %v", name, c.reason, c.inText, err)
		}
	}
}

func TestARefusalRepeatsTheWrongValueButNoSecret(t *testing.T) {
	v, err := protovalidate.New()
	if err != nil {
		t.Fatal(err)
	}
	wrong := &consumablesv1.IssueStockRequest{
		Name: "lots/a", WorkOrder: "workOrders/a", Quantity: &commonv1.Quantity{Value: "1,5 or so", UnitCode: "L"},
	}
	const want = `quantity.value "1,5 or so": is no decimal number such as 12.5 or 0.300. Correct it and send the request again.`
	if err := rpc.Validate(v, wrong); !fault.HasReason(err, "FIELD_INVALID") || err.Error() != want {
		t.Errorf("got %v", err)
	}
	secret := &accessv1.ChangePasswordRequest{OldPassword: "hunter2", NewPassword: strings.Repeat("hunter3", 40)}
	if err := rpc.Validate(v, secret); err == nil || strings.Contains(err.Error(), "hunter") {
		t.Errorf("got %v", err)
	}
}
