package resource

import (
	"reflect"
	"slices"

	"google.golang.org/genproto/googleapis/api/annotations"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/types/known/fieldmaskpb"

	"coldsection.example/services/platform/fault"
)

func behaves(fd protoreflect.FieldDescriptor, b annotations.FieldBehavior) bool {
	all, _ := proto.GetExtension(fd.Options(), annotations.E_FieldBehavior).([]annotations.FieldBehavior)
	return slices.Contains(all, b)
}

// ClearOutputOnly removes what a caller may not set; AIP-203 says that such fields are ignored on input.
func ClearOutputOnly(m proto.Message) {
	if s, v, ok := shapeOf(m); ok {
		s.clear(v)
	}
}

// clear is ClearOutputOnly of the struct of a message of this shape.
func (s *shape) clear(v reflect.Value) {
	for _, i := range s.outputs {
		v.Field(i).SetZero()
	}
	for _, m := range s.messages {
		if f := v.Field(m.at); !f.IsNil() {
			m.shape().clear(f.Elem())
		}
	}
	if len(s.others)+len(s.nested) == 0 {
		return
	}
	m, _ := reflect.TypeAssert[proto.Message](v.Addr())
	r := m.ProtoReflect()
	for _, fd := range s.others {
		r.Clear(fd)
	}
	for _, fd := range s.nested {
		if r.Has(fd) {
			ClearOutputOnly(r.Get(fd).Message().Interface())
		}
	}
}

// outputs are the fields of a message that callers may not set, and those of the others that hold one message with such fields
// in it.
type outputs struct {
	outputs, messages []protoreflect.FieldDescriptor
}

func outputsOf(d protoreflect.MessageDescriptor) (o outputs) {
	for i := range d.Fields().Len() {
		switch fd := d.Fields().Get(i); {
		case behaves(fd, annotations.FieldBehavior_OUTPUT_ONLY):
			o.outputs = append(o.outputs, fd)
		case single(fd) && hasOutputs(fd.Message(), map[protoreflect.FullName]bool{}):
			o.messages = append(o.messages, fd)
		}
	}
	return o
}

func single(fd protoreflect.FieldDescriptor) bool {
	return fd.Kind() == protoreflect.MessageKind && !fd.IsMap() && !fd.IsList()
}

// hasOutputs says whether a message has a field that callers may not set, however deep; seen are the messages on the way there.
func hasOutputs(d protoreflect.MessageDescriptor, seen map[protoreflect.FullName]bool) bool {
	if seen[d.FullName()] {
		return false
	}
	seen[d.FullName()] = true
	for i := range d.Fields().Len() {
		fd := d.Fields().Get(i)
		if behaves(fd, annotations.FieldBehavior_OUTPUT_ONLY) || single(fd) && hasOutputs(fd.Message(), seen) {
			return true
		}
	}
	return false
}

// checkPaths refuses a mask that names what a message does not have, or what only the server sets.
func checkPaths(d protoreflect.MessageDescriptor, paths []string) error {
	for _, p := range paths {
		fd := d.Fields().ByName(protoreflect.Name(p))
		switch {
		case p == "*":
		case fd == nil:
			return fault.Invalid("update_mask", "FIELD_UNKNOWN", "The update mask names %q, which %s does not have. Name its top-level fields.", p, d.Name())
		case behaves(fd, annotations.FieldBehavior_OUTPUT_ONLY), behaves(fd, annotations.FieldBehavior_IDENTIFIER):
			return fault.Invalid("update_mask", "FIELD_READ_ONLY", "The update mask names %q, which the server sets. Leave it out.", p)
		}
	}
	return nil
}

// Apply changes current by the fields of update that the mask names: without a mask every field that is set, with "*" all.
// Fields that are output only, immutable or the identifier stay; a mask may not name one that only the server sets. Reasons:
// FIELD_UNKNOWN, FIELD_READ_ONLY.
func Apply(current, update proto.Message, mask *fieldmaskpb.FieldMask) error {
	to, from := current.ProtoReflect(), update.ProtoReflect()
	paths := mask.GetPaths()
	if err := checkPaths(to.Descriptor(), paths); err != nil {
		return err
	}
	fields := to.Descriptor().Fields()
	for i := range fields.Len() {
		fd := fields.Get(i)
		if fd.Name() == "etag" || behaves(fd, annotations.FieldBehavior_OUTPUT_ONLY) || behaves(fd, annotations.FieldBehavior_IMMUTABLE) ||
			behaves(fd, annotations.FieldBehavior_IDENTIFIER) {
			continue
		}
		named := slices.Contains(paths, string(fd.Name())) || slices.Contains(paths, "*")
		switch {
		case from.Has(fd) && (named || len(paths) == 0):
			to.Set(fd, from.Get(fd))
		case named:
			to.Clear(fd)
		}
	}
	return nil
}
