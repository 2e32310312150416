package resource_test

import (
	"slices"
	"strings"
	"testing"

	"google.golang.org/genproto/googleapis/api/annotations"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/reflect/protoregistry"

	_ "coldsection.example/proto/coldsection/performance/v1"
	"coldsection.example/services/platform/resource"
)

// fill sets every message that a message holds by itself, some levels deep, and every text in them.
func fill(m protoreflect.Message, levels int) {
	for i := range m.Descriptor().Fields().Len() {
		switch fd := m.Descriptor().Fields().Get(i); {
		case fd.IsList() || fd.IsMap() || fd.ContainingOneof() != nil:
		case fd.Kind() == protoreflect.StringKind:
			m.Set(fd, protoreflect.ValueOfString("x"))
		case fd.Kind() == protoreflect.MessageKind && levels > 0:
			fill(m.Mutable(fd).Message(), levels-1)
		}
	}
}

// cleared finds a field that should have been cleared and is not, or the reverse, in messages that fill has filled.
func cleared(t *testing.T, m protoreflect.Message, levels int) (deep int) {
	t.Helper()
	for i := range m.Descriptor().Fields().Len() {
		fd := m.Descriptor().Fields().Get(i)
		behaviours, _ := proto.GetExtension(fd.Options(), annotations.E_FieldBehavior).([]annotations.FieldBehavior)
		output := slices.Contains(behaviours, annotations.FieldBehavior_OUTPUT_ONLY)
		filled := !fd.IsList() && !fd.IsMap() && fd.ContainingOneof() == nil &&
			(fd.Kind() == protoreflect.StringKind || fd.Kind() == protoreflect.MessageKind && levels > 0)
		if filled && m.Has(fd) == output {
			t.Errorf("%s: set %v, output only %v", fd.FullName(), m.Has(fd), output)
		}
		if output && levels < 3 {
			deep++
		}
		if filled && !output && fd.Kind() == protoreflect.MessageKind {
			deep += cleared(t, m.Get(fd).Message(), levels-1)
		}
	}
	return deep
}

// Of every message of the contract, what callers may not set is cleared however deep it lies, and nothing else.
func TestEveryOutputIsClearedAndNothingElse(t *testing.T) {
	messages, deep := 0, 0
	protoregistry.GlobalTypes.RangeMessages(func(mt protoreflect.MessageType) bool {
		if strings.HasPrefix(string(mt.Descriptor().FullName()), "coldsection.") && !mt.Descriptor().IsMapEntry() {
			m := mt.New()
			fill(m, 3)
			resource.ClearOutputOnly(m.Interface())
			messages, deep = messages+1, deep+cleared(t, m, 3)
		}
		return true
	})
	if messages < 100 || deep < 20 {
		t.Errorf("%d messages, %d outputs below the first level: too few to tell", messages, deep)
	}
}
