package rpc

import (
	"buf.build/go/protovalidate"
	"google.golang.org/protobuf/reflect/protoreflect"

	commonv1 "coldsection.example/proto/coldsection/common/v1"
)

// amountField is the field of the contract that most requests have and whose rule costs more to evaluate than all others of a request.
var amountField = (&commonv1.Quantity{}).ProtoReflect().Descriptor().Fields().ByName("value")

// skipAmounts leaves the rule of an amount out where a look tells that it holds; what it would say otherwise, the rule says.
var skipAmounts = protovalidate.WithFilter(protovalidate.FilterFunc(func(m protoreflect.Message, d protoreflect.Descriptor) bool {
	return d != protoreflect.Descriptor(amountField) || !isAmount(m.Get(amountField).String())
}))

// isAmount reports whether a text is a decimal number as the contract's rule quantity.value has it.
func isAmount(text string) bool {
	if text != "" && text[0] == '-' {
		text = text[1:]
	}
	whole := digits(text)
	if whole == 0 || whole > 19 || whole == len(text) {
		return whole > 0 && whole <= 19
	}
	rest := text[whole+1:]
	part := digits(rest)
	return text[whole] == '.' && part > 0 && part <= 19 && part == len(rest)
}

// digits counts the digits that a text begins with.
func digits(text string) int {
	for i := range len(text) {
		if text[i] < '0' || text[i] > '9' {
			return i
		}
	}
	return len(text)
}
