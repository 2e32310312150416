package rpc

import (
	"slices"

	"buf.build/go/protovalidate"
	"google.golang.org/genproto/googleapis/api/annotations"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protopath"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/types/known/fieldmaskpb"
)

// unchanged reports whether a violation is about a field that an update leaves as it is.
func unchanged(m proto.Message, v *protovalidate.Violation) bool {
	path := v.Proto.GetField().GetElements()
	if len(path) < 2 {
		return false
	}
	resource := m.ProtoReflect().Descriptor().Fields().ByName(protoreflect.Name(path[0].GetFieldName()))
	if resource == nil || resource.Message() == nil {
		return false
	}
	return leaves(m, resource, resource.Message().Fields().ByName(protoreflect.Name(path[1].GetFieldName())))
}

// sentAlong reports whether a place in a request is in a field that an update leaves as it is, and that says nothing of which resource, in which
// version, is meant.
func sentAlong(m proto.Message, p protopath.Values) bool {
	const toField = 3 // the request, the resource in it, the field of that
	if len(p.Path) < toField || p.Path[1].Kind() != protopath.FieldAccessStep || p.Path[2].Kind() != protopath.FieldAccessStep {
		return false
	}
	field := p.Path[2].FieldDescriptor()
	return field.Name() != "name" && field.Name() != "etag" && leaves(m, p.Path[1].FieldDescriptor(), field)
}

// leaves reports whether an update leaves a field of its resource as it is, so that nobody has to send it, or to send it right: one that its mask does
// not name, one that is not set where there is no mask (AIP-134), or one that never changes.
func leaves(m proto.Message, resource, field protoreflect.FieldDescriptor) bool {
	mask, update := m.(interface{ GetUpdateMask() *fieldmaskpb.FieldMask })
	if !update || field == nil || resource.Kind() != protoreflect.MessageKind || resource.IsList() || resource.IsMap() {
		return false
	}
	if resource.Message().Fields().ByName("name") == nil {
		return false // the mask itself, or what is said beside the resource: no resource that could stay as it is
	}
	paths := mask.GetUpdateMask().GetPaths()
	switch {
	case fixed(field):
		return true
	case len(paths) == 0:
		return !m.ProtoReflect().Get(resource).Message().Has(field)
	default:
		return !slices.Contains(paths, "*") && !slices.Contains(paths, string(field.Name()))
	}
}

// fixed reports whether an update never changes a field.
func fixed(field protoreflect.FieldDescriptor) bool {
	all, _ := proto.GetExtension(field.Options(), annotations.E_FieldBehavior).([]annotations.FieldBehavior)
	return slices.Contains(all, annotations.FieldBehavior_IMMUTABLE)
}
