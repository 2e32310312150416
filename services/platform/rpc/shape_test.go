package rpc_test

import (
	"math"
	"strings"
	"testing"

	"buf.build/go/protovalidate"
	"google.golang.org/genproto/googleapis/type/date"
	"google.golang.org/protobuf/encoding/protowire"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	accessv1 "coldsection.example/proto/coldsection/access/v1"
	commonv1 "coldsection.example/proto/coldsection/common/v1"
	compliancev1 "coldsection.example/proto/coldsection/compliance/v1"
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
		"bytes that are no text":   {&consumablesv1.HoldLotRequest{Name: "lots/a", Reason: "a\xed\xa0\x80"}, "TEXT_UNREADABLE", "reason"},
		"too much":                 {limits(math.Inf(-1)), "NUMBER_NOT_FINITE", "engine_model.limits[0].max_value"},
		"nearly too much":          {limits(1e308), "NUMBER_OUT_OF_RANGE", "engine_model.limits[0].max_value is 1e+308"},
		"much below":               {limits(-1.1e15), "NUMBER_OUT_OF_RANGE", "engine_model.limits[0].max_value"},
		"next to nothing":          {limits(5e-324), "NUMBER_OUT_OF_RANGE", "engine_model.limits[0].max_value is 5e-324"},
	} {
		err := rpc.Validate(v, c.req)
		if !fault.HasReason(err, c.reason) || !strings.Contains(err.Error(), c.inText) {
			t.Errorf("%s: want %s about %s, got %v", name, c.reason, c.inText, err)
		}
	}
}

// Case A2: a zero with a minus is zero, beside a map too; other numbers are left as they are.
func TestAZeroHasNoSign(t *testing.T) {
	v, err := protovalidate.New()
	if err != nil {
		t.Fatal(err)
	}
	minus := math.Copysign(0, -1)
	model := &performancev1.EngineModel{
		ReferenceOatC: minus, ReferenceTorqueNm: -2, Limits: []*performancev1.Limit{{MaxValue: minus}, {MaxValue: -1e15}, {MaxValue: 1e-300}},
	}
	craft := &compliancev1.Aircraft{ExternalIds: map[string]string{"erp": "1"}, FlyingRate: &compliancev1.FlyingRate{HoursPerDay: minus}}
	_ = rpc.Validate(v, &performancev1.CreateEngineModelRequest{EngineModel: model}) // what else they lack is not asked here
	_ = rpc.Validate(v, &compliancev1.CreateAircraftRequest{Aircraft: craft})
	for i, got := range []float64{model.GetReferenceOatC(), model.GetLimits()[0].GetMaxValue(), craft.GetFlyingRate().GetHoursPerDay()} {
		if got != 0 || math.Signbit(got) {
			t.Errorf("%d: %v", i, got)
		}
	}
	if model.GetReferenceTorqueNm() != -2 || model.GetLimits()[1].GetMaxValue() != -1e15 || model.GetLimits()[2].GetMaxValue() != 1e-300 {
		t.Errorf("%v", model)
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

// Case A10: a refusal says what was sent, what is taken and what to do where no time is known.
func TestARefusedTimeSaysWhichAreTaken(t *testing.T) {
	v, err := protovalidate.New()
	if err != nil {
		t.Fatal(err)
	}
	for text, at := range map[string]*timestamppb.Timestamp{
		"api_key.expire_time is 9999-12-31T23:59:59Z, and only times of the years 1900 to 2299 are taken. Correct it, or leave it out where none is known.": {Seconds: 253_402_300_799},
		"api_key.expire_time has -1 nanoseconds beside its seconds, and a second has 0 to 999,999,999. Correct it.":                                         {Nanos: -1},
		"api_key.expire_time is 253402300800 seconds from 1970, and times are taken from the year 1900 to 2299. Correct it.":                                {Seconds: 253_402_300_800},
	} {
		err := rpc.Validate(v, &accessv1.CreateApiKeyRequest{Parent: "accounts/a", ApiKey: &accessv1.ApiKey{DisplayName: "k", ExpireTime: at}})
		if err == nil || err.Error() != text {
			t.Errorf("%v, want %s", err, text)
		}
	}
}

// Case A10: what is no day and no instant of the calendar, or of years that nobody means, is refused, wherever it stands; the first and the last ones pass.
func TestDaysAndInstantsThatNeverAreAreRefused(t *testing.T) {
	v, err := protovalidate.New()
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		year, month, day int32
		good             bool
	}{
		{2026, 2, 28, true}, {2028, 2, 29, true}, {1900, 1, 1, true}, {2299, 12, 31, true}, {1, 1, 1, false}, {9999, 12, 31, false}, {1899, 12, 31, false},
		{2300, 1, 1, false}, {2026, 2, 29, false}, {2026, 2, 30, false}, {2100, 2, 29, false},
		{2026, 13, 1, false}, {2026, 0, 1, false}, {2026, 1, 0, false}, {2026, 4, 31, false}, {0, 1, 1, false}, {10000, 1, 1, false}, {-1, 1, 1, false},
		{2026, 1, -1, false}, {0, 0, 0, false}, {math.MaxInt32, math.MaxInt32, math.MaxInt32, false}, {math.MinInt32, 1, 1, false},
	} {
		err := rpc.Validate(v, &consumablesv1.ReceiveLotRequest{
			Location: "locations/a", Quantity: &commonv1.Quantity{Value: "1", UnitCode: "L"},
			Lot: &consumablesv1.Lot{Item: "items/a", ManufacturerLot: "m", UseByDate: &date.Date{Year: c.year, Month: c.month, Day: c.day}},
		})
		if f, _ := fault.As(err); c.good != (err == nil) || !c.good && (f.Reason != "DATE_INVALID" || f.Violations[0].Field != "lot.use_by_date") {
			t.Errorf("%v: %v", c, err)
		}
	}
	for _, c := range []struct {
		seconds int64
		nanos   int32
		good    bool
	}{
		{0, 0, true}, {10_413_791_999, 999_999_999, true}, {-2_208_988_800, 0, true}, // the last of 2299 and the first of 1900
		{10_413_792_000, 0, false}, {-2_208_988_801, 999_999_999, false}, {253_402_300_799, 999_999_999, false}, {-62_135_596_800, 0, false},
		{253_402_300_800, 0, false}, {-62_135_596_801, 0, false}, {0, -1, false}, {0, 1_000_000_000, false}, {math.MaxInt64, 0, false}, {math.MinInt64, 0, false},
	} {
		err := rpc.Validate(v, &accessv1.CreateApiKeyRequest{
			Parent: "accounts/a", ApiKey: &accessv1.ApiKey{DisplayName: "k", ExpireTime: &timestamppb.Timestamp{Seconds: c.seconds, Nanos: c.nanos}},
		})
		if f, _ := fault.As(err); c.good != (err == nil) || !c.good && (f.Reason != "TIME_INVALID" || f.Violations[0].Field != "api_key.expire_time") {
			t.Errorf("%v: %v", c, err)
		}
	}
}
