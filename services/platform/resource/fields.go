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

// checkPaths refuses a mask that names what a message does not have.
func checkPaths(d protoreflect.MessageDescriptor, paths []string) error {
	for _, p := range paths {
		if p != "*" && d.Fields().ByName(protoreflect.Name(p)) == nil {
			return fault.Invalid("update_mask", "FIELD_UNKNOWN", "The update mask names %q, which %s does not have. Name its top-level fields.", p, d.Name())
		}
	}
	return nil
}

// kept refuses to change what an update leaves as it is. What only the server sets may come along as it was read, and without
// a mask, or under "*", with any value (AIP-134, AIP-203); a mask that names it with another value asks for what is not done
// (AIP-161). What is fixed from the beginning may come along as it is.
func kept(fd protoreflect.FieldDescriptor, to, from protoreflect.Message, paths []string) error {
	if !from.Has(fd) || from.Get(fd).Equal(to.Get(fd)) {
		return nil
	}
	named := slices.Contains(paths, string(fd.Name()))
	switch {
	case behaves(fd, annotations.FieldBehavior_IMMUTABLE) && (named || len(paths) == 0 || slices.Contains(paths, "*")):
		return fault.Invalid(string(fd.Name()), "FIELD_FIXED",
			"The update gives %s a new %s, which stays as it was made. Leave it out, or make a new one.", name(to), fd.Name()).With("field", string(fd.Name()))
	case named:
		return fault.Invalid("update_mask", "FIELD_READ_ONLY", "The update mask names %q with a new value, which only the server sets. Leave it out.", string(fd.Name()))
	default:
		return nil
	}
}

// name is the resource name of a message.
func name(m protoreflect.Message) string {
	if fd := m.Descriptor().Fields().ByName("name"); fd != nil {
		return m.Get(fd).String()
	}
	return string(m.Descriptor().Name())
}

// Names reports whether a mask changes a field: it names it, or every field. Without a mask each field that is set is changed.
func Names(mask *fieldmaskpb.FieldMask, field string) bool {
	paths := mask.GetPaths()
	return len(paths) == 0 || slices.Contains(paths, field) || slices.Contains(paths, "*")
}

// Apply changes current by the fields of update that the mask names: without a mask every field that is set, with "*" all.
// Fields that are output only, immutable or the identifier stay. A refused update changes nothing. Reasons: FIELD_UNKNOWN,
// FIELD_READ_ONLY, FIELD_FIXED.
func Apply(current, update proto.Message, mask *fieldmaskpb.FieldMask) error {
	to, from := current.ProtoReflect(), update.ProtoReflect()
	paths := mask.GetPaths()
	if err := checkPaths(to.Descriptor(), paths); err != nil {
		return err
	}
	var changed []protoreflect.FieldDescriptor
	fields := to.Descriptor().Fields()
	for i := range fields.Len() {
		fd := fields.Get(i)
		switch {
		case fd.Name() == "etag", behaves(fd, annotations.FieldBehavior_IDENTIFIER):
		case behaves(fd, annotations.FieldBehavior_OUTPUT_ONLY), behaves(fd, annotations.FieldBehavior_IMMUTABLE):
			if err := kept(fd, to, from, paths); err != nil {
				return err
			}
		default:
			changed = append(changed, fd)
		}
	}
	change(changed, to, from, paths)
	return nil
}

func change(fields []protoreflect.FieldDescriptor, to, from protoreflect.Message, paths []string) {
	for _, fd := range fields {
		named := slices.Contains(paths, string(fd.Name())) || slices.Contains(paths, "*")
		switch {
		case from.Has(fd) && (named || len(paths) == 0):
			to.Set(fd, from.Get(fd))
		case named:
			to.Clear(fd)
		}
	}
}
