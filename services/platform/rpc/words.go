package rpc

import (
	"strings"

	"buf.build/go/protovalidate"
)

// broken is the rule that a value breaks, in words. A list of words is named with its words: that a number is on no list tells nobody what to give.
func broken(v *protovalidate.Violation) string {
	f := v.FieldDescriptor
	if f == nil || f.Enum() == nil || v.Proto.GetRuleId() != "enum.not_in" {
		return v.Proto.GetMessage()
	}
	var words []string
	for i := range f.Enum().Values().Len() {
		if word := f.Enum().Values().Get(i); word.Number() != 0 {
			words = append(words, string(word.Name()))
		}
	}
	return "must be stated: one of " + strings.Join(words, ", ")
}
