package units_test

import (
	"slices"
	"strings"
	"testing"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/reflect/protoregistry"
	"google.golang.org/protobuf/types/dynamicpb"

	"coldsection.example/gateway/internal/units"
	_ "coldsection.example/proto/coldsection/access/v1" // every area's messages are looked at
	commonv1 "coldsection.example/proto/coldsection/common/v1"
	_ "coldsection.example/proto/coldsection/compliance/v1"
	consumablesv1 "coldsection.example/proto/coldsection/consumables/v1"
	performancev1 "coldsection.example/proto/coldsection/performance/v1"
	workordersv1 "coldsection.example/proto/coldsection/workorders/v1"
	"coldsection.example/services/platform/quantity"
)

// messages calls do with every message of the contract.
func messages(do func(protoreflect.MessageDescriptor)) {
	var each func(protoreflect.MessageDescriptors)
	each = func(list protoreflect.MessageDescriptors) {
		for i := range list.Len() {
			if !list.Get(i).IsMapEntry() {
				do(list.Get(i))
				each(list.Get(i).Messages())
			}
		}
	}
	protoregistry.GlobalFiles.RangeFiles(func(f protoreflect.FileDescriptor) bool {
		if strings.HasPrefix(string(f.Package()), "coldsection.") {
			each(f.Messages())
		}
		return true
	})
}

// without are the messages with a unit whose amounts are not given a second time, and why.
var without = map[protoreflect.Name]string{
	"Converted":                 "it is the second time",
	"EvaluateExceedanceRequest": "a request",
	"RenderExceedanceRequest":   "a request",
	"ColumnRead":                "a unit without an amount",
	"StepReading":               "a fact, which says what was recorded and is the same for every reader",
}

func TestEveryAmountWithAUnitIsGivenASecondTime(t *testing.T) {
	seen := 0
	messages(func(m protoreflect.MessageDescriptor) {
		if m.Fields().ByName("unit_code") == nil {
			return
		}
		seen++
		amounts := units.AmountsOf(m)
		if _, excused := without[m.Name()]; excused {
			if len(amounts) > 0 {
				t.Errorf("%s is excused and has amounts", m.FullName())
			}
			return
		}
		var of []protoreflect.Name
		for _, a := range amounts {
			if a.Of != nil {
				of = append(of, a.Of.Name())
			}
		}
		for i := range m.Fields().Len() {
			f := m.Fields().Get(i)
			amount := f.Kind() == protoreflect.DoubleKind || slices.Contains([]protoreflect.Name{"text", "value", "minimum", "maximum"}, f.Name())
			if amount && !slices.Contains(of, f.Name()) {
				t.Errorf("%s has no field for the caller's units; add converted or converted_%s of type common.v1.Converted", f.FullName(), f.Name())
			}
		}
	})
	if seen < len(without)+6 {
		t.Errorf("only %d messages with a unit were seen", seen)
	}
}

// Every such field, in whatever message: it belongs to another field, has a unit, and is filled in both systems.
func TestEveryFieldForUnitsIsFilledAndNothingElseIsTouched(t *testing.T) {
	seen := 0
	messages(func(m protoreflect.MessageDescriptor) {
		for _, a := range units.AmountsOf(m) {
			seen++
			if a.Of == nil || a.Unit == nil && a.Code == "" {
				t.Errorf("%s belongs to no amount with a unit", a.Field.FullName())
				continue
			}
			for _, system := range []quantity.System{quantity.SI, quantity.US} {
				msg := filledIn(m, a)
				before := proto.Clone(msg.Interface())
				units.Fill(msg, system)
				if got, ok := msg.Get(a.Field).Message().Interface().(interface{ ProtoReflect() protoreflect.Message }); !ok || !msg.Has(a.Field) {
					t.Errorf("%s is not filled: %v", a.Field.FullName(), got)
				}
				units.Strip(msg)
				if !proto.Equal(msg.Interface(), before) {
					t.Errorf("%s: %v became %v", m.FullName(), before, msg.Interface())
				}
			}
		}
	})
	if seen < 15 {
		t.Errorf("only %d fields were seen", seen)
	}
}

// filledIn is a message with one amount.
func filledIn(m protoreflect.MessageDescriptor, a units.Amount) protoreflect.Message {
	msg := dynamicpb.NewMessage(m)
	if a.Of.Kind() == protoreflect.StringKind {
		msg.Set(a.Of, protoreflect.ValueOfString("12.5"))
	} else {
		msg.Set(a.Of, protoreflect.ValueOfFloat64(12.5))
	}
	if a.Unit != nil {
		msg.Set(a.Unit, protoreflect.ValueOfString("L"))
	}
	return msg
}

func TestAmountsDeepInAnswers(t *testing.T) {
	answer := &workordersv1.ListMeasurementsResponse{Measurements: []*workordersv1.Measurement{{
		Entered: &commonv1.Entered{Text: "3,8", UnitCode: "[gal_us]"}, Value: 14.3845647, UnitCode: "L", MinValue: proto.Float64(10),
		LimitSteps: []*commonv1.Explained{{Label: "Supply", Value: 28, UnitCode: "V"}},
	}}}
	units.Fill(answer.ProtoReflect(), quantity.US)
	m := answer.GetMeasurements()[0]
	if e := m.GetEntered(); e.GetText() != "3,8" || e.GetUnitCode() != "[gal_us]" || e.GetConverted().GetDisplayText() != "3.8 US gal" {
		t.Errorf("what was entered: %v", e)
	}
	if c := m.GetConverted(); c.GetValue() != "3.80001" || c.GetUnitCode() != "[gal_us]" || c.GetRec20UnitCode() != "GLL" {
		t.Errorf("the value: %v", c)
	}
	if m.GetConvertedMinValue().GetValue() != "2.642" || m.GetConvertedMaxValue() != nil {
		t.Errorf("limits: %v, %v", m.GetConvertedMinValue(), m.GetConvertedMaxValue())
	}
	if c := m.GetLimitSteps()[0].GetConverted(); c.GetDisplayText() != "28 V" {
		t.Errorf("a step: %v", c)
	}
}

func TestCanonicalValuesOfReadings(t *testing.T) {
	v := &performancev1.ReadingValues{IttC: 650, TorqueNm: 1762.56333, PressureAltitudeM: 1000, NgPct: 97.5, FuelFlowKgH: 100}
	units.Fill(v.ProtoReflect(), quantity.US)
	for got, want := range map[string]string{
		v.GetConvertedIttC().GetDisplayText(): "1202 °F", v.GetConvertedTorqueNm().GetDisplayText(): "1299.998 lbf·ft",
		v.GetConvertedPressureAltitudeM().GetDisplayText(): "3281 ft", v.GetConvertedNgPct().GetDisplayText(): "97.5 %",
		v.GetConvertedFuelFlowKgH().GetDisplayText(): "220.5 lb/h",
	} {
		if got != want {
			t.Errorf("got %q, want %q", got, want)
		}
	}
}

func TestAmountsThatAreNoneStayAsTheyAre(t *testing.T) {
	for _, q := range []*commonv1.Quantity{{}, {Value: "a few", UnitCode: "L"}, {Value: "1", UnitCode: "bucket"}} {
		before := proto.CloneOf(q)
		if units.Fill(q.ProtoReflect(), quantity.US); !proto.Equal(q, before) {
			t.Errorf("%v became %v", before, q)
		}
	}
}

func TestMessagesWithoutAmountsAreKnown(t *testing.T) {
	if units.Carries((*consumablesv1.GetItemRequest)(nil).ProtoReflect().Descriptor()) || !units.Carries((*consumablesv1.Lot)(nil).ProtoReflect().Descriptor()) {
		t.Error("a message with amounts and one without are not told apart")
	}
}
