package server

import (
	"math/rand/v2"
	"strings"
	"testing"

	"buf.build/go/protovalidate"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/types/known/timestamppb"

	commonv1 "coldsection.example/proto/coldsection/common/v1"
	performancev1 "coldsection.example/proto/coldsection/performance/v1"
	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/rpc"
)

func usual() *performancev1.StreamReadingsRequest {
	in := func(text, unit string) *commonv1.Entered { return &commonv1.Entered{Text: text, UnitCode: unit} }
	return &performancev1.StreamReadingsRequest{Parent: "engines/one", Reading: &performancev1.Reading{
		ReadTime: &timestamppb.Timestamp{Seconds: 1_788_000_000}, Phase: "cruise", PressureAltitude: in("6000", "[ft_i]"), Oat: in("5", "Cel"),
		Airspeed: in("150", "[kn_i]"), Torque: in("1300", "[lbf_av].[ft_i]"), PropellerSpeed: in("1700", "{rpm}"), Ng: in("94,1", "%"), Itt: in("655", "Cel"),
		FuelFlow: in("330", "[lb_av]/h"), OperatingHours: in("1234,5", "h"), Source: "recorder", SourceId: "n1",
	}}
}

// fields are all places of a message that hold a value, with those of the messages in it.
func fields(m protoreflect.Message) (all []func()) {
	for i := range m.Descriptor().Fields().Len() {
		fd := m.Descriptor().Fields().Get(i)
		all = append(all, func() { m.Clear(fd) })
		switch fd.Kind() {
		case protoreflect.StringKind:
			for _, text := range []string{" ", "a\x00b", strings.Repeat("ü", 24), strings.Repeat("x", 25), strings.Repeat("x", 41), strings.Repeat("x", 65), strings.Repeat("x", 121), "\xff"} {
				all = append(all, func() { m.Set(fd, protoreflect.ValueOfString(text)) })
			}
		case protoreflect.MessageKind:
			all = append(all, func() { m.Set(fd, m.NewField(fd)) })
			if m.Has(fd) {
				all = append(all, fields(m.Mutable(fd).Message())...)
			}
		case protoreflect.EnumKind:
			all = append(all, func() { m.Set(fd, protoreflect.ValueOfEnum(99)) })
		case protoreflect.Int64Kind:
			all = append(all, func() { m.Set(fd, protoreflect.ValueOfInt64(1<<60)) })
		case protoreflect.Int32Kind:
			all = append(all, func() { m.Set(fd, protoreflect.ValueOfInt32(-1)) })
		default: // no field of the message has another kind; one that gains it is cleared above
		}
	}
	return append(all, func() { m.SetUnknown(protoreflect.RawFields{0xf8, 0x7f, 1}) })
}

// Each field spoilt in each way, alone and two at a time: what is called well formed keeps the contract in full, and the usual
// reading is called so. A field or rule that the contract gains is spoilt here, too.
func TestWhatIsWellFormedKeepsTheContract(t *testing.T) {
	if !wellFormed(usual()) {
		t.Error("the usual reading is looked at in full")
	}
	ways, refused, passed := len(fields(usual().ProtoReflect())), 0, 0
	random := rand.New(rand.NewPCG(1, 2))
	for i := range 20 * ways {
		req := usual()
		fields(req.ProtoReflect())[i%ways]()
		if i >= ways {
			again := fields(req.ProtoReflect())
			again[random.IntN(len(again))]()
		}
		if !wellFormed(req) {
			refused++
			continue
		}
		passed++
		if err := rpc.Validate(protovalidate.GlobalValidator, req); err != nil {
			t.Fatalf("%v is called well formed: %v", req, err)
		}
	}
	if refused < ways || passed < ways/20 {
		t.Errorf("of %d, %d passed and %d were doubted", 20*ways, passed, refused)
	}
}

// Case A10: a reading of a stream is of a year that somebody may mean, as that of a call is.
func TestAStreamsReadingIsOfAYearThatIsMeant(t *testing.T) {
	for _, seconds := range []int64{-62_135_596_800, 253_402_300_799, -2_208_988_801, 10_413_792_000} {
		req := usual()
		req.Reading.ReadTime = &timestamppb.Timestamp{Seconds: seconds}
		if err := rpc.Validate(protovalidate.GlobalValidator, req); wellFormed(req) || !fault.HasReason(err, "TIME_INVALID") {
			t.Errorf("%d: %v", seconds, err)
		}
	}
}

func BenchmarkValidate(b *testing.B) {
	req := usual()
	b.Run("in full", func(b *testing.B) {
		for b.Loop() {
			if err := rpc.Validate(protovalidate.GlobalValidator, req); err != nil {
				b.Fatal(err)
			}
		}
	})
	b.Run("well formed", func(b *testing.B) {
		for b.Loop() {
			if !wellFormed(req) {
				b.Fatal(proto.MarshalOptions{}.Size(req))
			}
		}
	})
}
