package resource_test

import (
	"slices"
	"strings"
	"testing"

	"google.golang.org/genproto/googleapis/api/annotations"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/reflect/protoregistry"
	"google.golang.org/protobuf/types/dynamicpb"

	performancev1 "coldsection.example/proto/coldsection/performance/v1"
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

// put gives a field of any kind a value that it does not have by itself.
func put(m protoreflect.Message, fd protoreflect.FieldDescriptor) {
	switch {
	case fd.IsMap():
		m.Mutable(fd).Map().Set(protoreflect.ValueOf(fd.MapKey().Default().Interface()).MapKey(), m.Mutable(fd).Map().NewValue())
	case fd.IsList():
		m.Mutable(fd).List().Append(m.Mutable(fd).List().NewElement())
	case fd.Message() != nil:
		m.Mutable(fd)
	default:
		m.Set(fd, map[protoreflect.Kind]protoreflect.Value{
			protoreflect.BoolKind: protoreflect.ValueOfBool(true), protoreflect.EnumKind: protoreflect.ValueOfEnum(1),
			protoreflect.Int32Kind: protoreflect.ValueOfInt32(1), protoreflect.Int64Kind: protoreflect.ValueOfInt64(1), protoreflect.StringKind: protoreflect.ValueOfString("x"),
			protoreflect.DoubleKind: protoreflect.ValueOfFloat64(1), protoreflect.FloatKind: protoreflect.ValueOfFloat32(1), protoreflect.BytesKind: protoreflect.ValueOfBytes([]byte{1}),
			protoreflect.Uint32Kind: protoreflect.ValueOfUint32(1), protoreflect.Uint64Kind: protoreflect.ValueOfUint64(1),
		}[fd.Kind()])
	}
}

// Fields of every kind are cleared when callers may not set them, and stay otherwise: lists, maps, numbers and members of oneofs, too.
func TestFieldsOfEveryKindAreCleared(t *testing.T) {
	outputs, members := 0, 0
	protoregistry.GlobalTypes.RangeMessages(func(mt protoreflect.MessageType) bool {
		d := mt.Descriptor()
		if !strings.HasPrefix(string(d.FullName()), "coldsection.") || d.IsMapEntry() {
			return true
		}
		for i := range d.Fields().Len() {
			fd, m := d.Fields().Get(i), mt.New()
			put(m, fd)
			resource.ClearOutputOnly(m.Interface())
			behaviours, _ := proto.GetExtension(fd.Options(), annotations.E_FieldBehavior).([]annotations.FieldBehavior)
			output := slices.Contains(behaviours, annotations.FieldBehavior_OUTPUT_ONLY)
			if m.Has(fd) == output {
				t.Errorf("%s: set %v, output only %v", fd.FullName(), m.Has(fd), output)
			}
			if output {
				outputs++
			}
			if fd.ContainingOneof() != nil {
				members++
			}
		}
		return true
	})
	if outputs < 100 || members == 0 {
		t.Errorf("%d outputs, %d members of oneofs: too few to tell", outputs, members)
	}
}

// What is no generated message, or none at all, is left alone or cleared through its reflection.
func TestWhatHasNoStructIsClearedToo(t *testing.T) {
	resource.ClearOutputOnly((*performancev1.Reading)(nil))
	made := dynamicpb.NewMessage((&performancev1.Reading{}).ProtoReflect().Descriptor())
	state, source := made.Descriptor().Fields().ByName("state"), made.Descriptor().Fields().ByName("source_id")
	put(made, state)
	put(made, source)
	resource.ClearOutputOnly(made)
	if made.Has(state) || !made.Has(source) {
		t.Errorf("%v", made)
	}
}
