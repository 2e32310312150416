package rpc

import (
	"slices"

	"buf.build/go/protovalidate"
	"google.golang.org/genproto/googleapis/api/annotations"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/types/known/fieldmaskpb"
)

// unchanged reports whether a violation is about a field that an update leaves as it is, so that nobody has to send it: one that
// its mask does not name, one that is not set where there is no mask (AIP-134), or one that never changes.
func unchanged(m proto.Message, v *protovalidate.Violation) bool {
	mask, update := m.(interface{ GetUpdateMask() *fieldmaskpb.FieldMask })
	path := v.Proto.GetField().GetElements()
	if !update || len(path) < 2 {
		return false
	}
	r := m.ProtoReflect()
	resource := r.Descriptor().Fields().ByName(protoreflect.Name(path[0].GetFieldName()))
	if resource == nil || resource.Kind() != protoreflect.MessageKind || resource.IsList() || resource.IsMap() {
		return false
	}
	field := resource.Message().Fields().ByName(protoreflect.Name(path[1].GetFieldName()))
	if field == nil {
		return false
	}
	paths := mask.GetUpdateMask().GetPaths()
	switch {
	case fixed(field):
		return true
	case len(paths) == 0:
		return !r.Get(resource).Message().Has(field)
	default:
		return !slices.Contains(paths, "*") && !slices.Contains(paths, string(field.Name()))
	}
}

// fixed reports whether an update never changes a field.
func fixed(field protoreflect.FieldDescriptor) bool {
	all, _ := proto.GetExtension(field.Options(), annotations.E_FieldBehavior).([]annotations.FieldBehavior)
	return slices.Contains(all, annotations.FieldBehavior_IMMUTABLE)
}
