package gateway

import (
	"context"
	"strings"

	"google.golang.org/grpc/metadata"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"

	"coldsection.example/gateway/internal/rest"
	"coldsection.example/services/platform/fault"
)

// applyIfMatch makes the If-Match header of a change, RFC 9110 section 13.1.1, the request's etag, so that the owner of the
// resource compares it in the transaction of the change. "*" asks for nothing but that the resource is there, which every
// change asks for anyway. Reasons: IF_MATCH_INVALID, IF_MATCH_UNSUPPORTED, ETAG_AMBIGUOUS.
func applyIfMatch(ctx context.Context, method string, req any) error {
	md, _ := metadata.FromIncomingContext(ctx)
	given := md.Get(rest.IfMatchKey)
	if len(given) == 0 || readOnly(method) {
		return nil
	}
	etag, err := strongEtag(strings.Join(given, ","))
	if err != nil {
		return err
	}
	m, ok := req.(proto.Message)
	if !ok {
		return nil
	}
	holder, field := etagField(m.ProtoReflect())
	switch {
	case field == nil:
		return fault.Invalid("etag", "IF_MATCH_UNSUPPORTED", "This method changes no version that was read before. Leave If-Match out.")
	case etag == "*":
		return nil
	}
	if now := holder.Get(field).String(); now != "" && now != etag {
		return fault.Invalid("etag", "ETAG_AMBIGUOUS", "If-Match says %q and the request's etag %q. Send one of them.", etag, now)
	}
	holder.Set(field, protoreflect.ValueOfString(etag))
	return nil
}

// strongEtag reads one entity tag and leaves the version in it. A weak one is kept as it is written, because it equals no version.
func strongEtag(text string) (string, error) {
	text = strings.TrimSpace(text)
	inner, weak := strings.CutPrefix(text, "W/")
	quoted := len(inner) > 2 && strings.HasPrefix(inner, `"`) && strings.HasSuffix(inner, `"`)
	switch {
	case text == "*", weak && quoted:
		return text, nil
	case quoted && !strings.Contains(inner[1:len(inner)-1], `"`):
		return rest.VersionOf(inner[1 : len(inner)-1]), nil
	default:
		return "", fault.Invalid("etag", "IF_MATCH_INVALID",
			"If-Match %s can't be read. Send one etag in double quotes, as the ETag header of the answer before had it.", text)
	}
}

// etagField finds where a request says which version it is based on: in a field of its own, or in the resource that an
// Update method brings.
func etagField(m protoreflect.Message) (protoreflect.Message, protoreflect.FieldDescriptor) {
	fields := m.Descriptor().Fields()
	if own := fields.ByName("etag"); own != nil {
		return m, own
	}
	if fields.ByName("update_mask") == nil {
		return m, nil
	}
	for i := range fields.Len() {
		f := fields.Get(i)
		if f.Message() == nil || f.IsList() || f.IsMap() {
			continue
		}
		if etag := f.Message().Fields().ByName("etag"); etag != nil {
			return m.Mutable(f).Message(), etag
		}
	}
	return m, nil
}
