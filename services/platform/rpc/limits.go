package rpc

import (
	"slices"
	"sync"

	"buf.build/gen/go/bufbuild/protovalidate/protocolbuffers/go/buf/validate"
	"google.golang.org/genproto/googleapis/api/annotations"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/reflect/protoregistry"

	"coldsection.example/services/platform/fault"
)

// PlainRequest is how many bytes a request may have that carries neither a file nor a long table.
const PlainRequest = 4 << 20

// maxMessage is how many bytes any message may have: a file has up to 16 MiB.
const maxMessage = 20 << 20

// longTable is how many rows the contract must allow in a list to make it a long table, which as JSON may be longer than a plain request.
const longTable = 10_000

// largest holds the limits by the request's descriptor, since the contract is read once.
var largest sync.Map

// Largest is how many bytes a request of a type may have: those that carry a file or a long table have more room.
func Largest(request protoreflect.MessageDescriptor) int {
	known, _ := largest.Load(request.FullName())
	if limit, ok := known.(int); ok {
		return limit
	}
	limit := PlainRequest
	if carriesMuch(request, map[protoreflect.FullName]bool{}) {
		limit = maxMessage
	}
	largest.Store(request.FullName(), limit)
	return limit
}

// largestOf is the limit of a method of a service; one that the contract does not have takes plain requests.
func largestOf(service, method string) int {
	d, err := protoregistry.GlobalFiles.FindDescriptorByName(protoreflect.FullName(service + "." + method))
	if m, ok := d.(protoreflect.MethodDescriptor); ok && err == nil {
		return Largest(m.Input())
	}
	return PlainRequest
}

// carriesMuch says whether a caller may give a message bytes, a text or a list that is longer than a plain request; seen are the messages on the way there.
func carriesMuch(d protoreflect.MessageDescriptor, seen map[protoreflect.FullName]bool) bool {
	if seen[d.FullName()] {
		return false
	}
	seen[d.FullName()] = true
	for i := range d.Fields().Len() {
		f := d.Fields().Get(i)
		behaviours, _ := proto.GetExtension(f.Options(), annotations.E_FieldBehavior).([]annotations.FieldBehavior)
		rules, _ := proto.GetExtension(f.Options(), validate.E_Field).(*validate.FieldRules)
		switch {
		case slices.Contains(behaviours, annotations.FieldBehavior_OUTPUT_ONLY):
		case f.Kind() == protoreflect.BytesKind, rules.GetString().GetMaxBytes() > PlainRequest, rules.GetRepeated().GetMaxItems() > longTable:
			return true
		case f.Message() != nil && carriesMuch(f.Message(), seen):
			return true
		}
	}
	return false
}

// TooLarge refuses a request above the limit of its method. Reason: REQUEST_TOO_LARGE.
func TooLarge[N int | int64](limit N) error {
	return fault.New(fault.ResourceExhausted, "REQUEST_TOO_LARGE",
		"The request has more than %d bytes, which is all that its method takes. Send it in parts; a long table goes by the import of its kind.", limit)
}
