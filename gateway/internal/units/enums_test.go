package units_test

import (
	"slices"
	"testing"

	"buf.build/gen/go/bufbuild/protovalidate/protocolbuffers/go/buf/validate"
	"google.golang.org/genproto/googleapis/api/annotations"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
)

// unsaid are the required fields whose edge takes 0, "not stated", and what becomes of it then.
var unsaid = map[protoreflect.FullName]string{
	"coldsection.compliance.v1.Aircraft.regime":                 "the records of an aircraft without a regime are kept by the rules of all of them",
	"coldsection.performance.v1.Limit.parameter":                "refused with LIMIT_INVALID",
	"coldsection.performance.v1.ExceedanceChart.parameter":      "refused with EXCEEDANCE_CHART_INVALID, which names the chart",
	"coldsection.workorders.v1.CustomerDecision.verdict":        "refused with VERDICT_MISSING",
	"coldsection.workorders.v1.ExportWorkPackRequest.format":    "refused with FORMAT_UNKNOWN, which names the formats",
	"coldsection.workorders.v1.PreviewSignatureRequest.meaning": "refused with MEANING_UNKNOWN, which names the meanings",
}

// A call that leaves a required word out would otherwise be taken, and 0 be counted as whatever comes last in a switch.
func TestNoRequiredWordIsLeftOut(t *testing.T) {
	seen, open := 0, map[protoreflect.FullName]bool{}
	messages(func(m protoreflect.MessageDescriptor) {
		for i := range m.Fields().Len() {
			f := m.Fields().Get(i)
			if f.Kind() != protoreflect.EnumKind || !demanded(f) {
				continue
			}
			seen++
			if !stated(f) {
				open[f.FullName()] = true
			}
		}
	})
	for name := range open {
		if unsaid[name] == "" {
			t.Errorf("%s is required and may be 0; give it (buf.validate.field).enum.not_in = 0", name)
		}
	}
	for name, why := range unsaid {
		if !open[name] {
			t.Errorf("%s is excused (%s) and needs no excuse", name, why)
		}
	}
	if seen < len(unsaid)+20 {
		t.Errorf("only %d required words were seen", seen)
	}
}

// demanded says whether the contract asks for a field.
func demanded(f protoreflect.FieldDescriptor) bool {
	all, _ := proto.GetExtension(f.Options(), annotations.E_FieldBehavior).([]annotations.FieldBehavior)
	return slices.Contains(all, annotations.FieldBehavior_REQUIRED)
}

// stated says whether the edge refuses 0 in a field.
func stated(f protoreflect.FieldDescriptor) bool {
	rules, _ := proto.GetExtension(f.Options(), validate.E_Field).(*validate.FieldRules)
	return rules.GetRequired() || slices.Contains(rules.GetEnum().GetNotIn(), 0)
}

// Ids in other systems come from outside in any number and length, and each stands in an index.
func TestMapsThatCallersFillAreBounded(t *testing.T) {
	filled := 0
	messages(func(m protoreflect.MessageDescriptor) {
		for i := range m.Fields().Len() {
			f := m.Fields().Get(i)
			behaviors, _ := proto.GetExtension(f.Options(), annotations.E_FieldBehavior).([]annotations.FieldBehavior)
			if !f.IsMap() || slices.Contains(behaviors, annotations.FieldBehavior_OUTPUT_ONLY) {
				continue
			}
			filled++
			rules, _ := proto.GetExtension(f.Options(), validate.E_Field).(*validate.FieldRules)
			of := rules.GetMap()
			if of.GetMaxPairs() == 0 || of.GetKeys().GetString().GetMaxLen() == 0 || of.GetValues().GetString().GetMaxLen() == 0 {
				t.Errorf("%s takes any number of entries of any length; bound its pairs, keys and values", f.FullName())
			}
		}
	})
	if filled < 6 {
		t.Errorf("only %d maps were seen", filled)
	}
}
