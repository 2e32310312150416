// Package units states the amounts of an answer a second time, in the unit system that the caller chose.
//
// It knows amounts by the contract alone: a field of type common.v1.Converted named "converted" is for "value" or "text" beside it,
// one named "converted_x" for x. The unit is said by "unit_code" beside it, or by the end of the name, as in "oat_c". What stands
// beside is never touched, and what a request has in such fields is thrown away before anybody reads it.
package units

import (
	"strconv"
	"strings"
	"sync"

	"google.golang.org/protobuf/reflect/protoreflect"

	commonv1 "coldsection.example/proto/coldsection/common/v1"
	"coldsection.example/services/platform/quantity"
)

// Header names the system in HTTP; Key is the same in gRPC's metadata.
const (
	Header = "Coldsection-Units"
	Key    = "coldsection-units"
)

var converted = (*commonv1.Converted)(nil).ProtoReflect().Descriptor().FullName()

// Amount is a field with the same amount once more: of which field, and where its unit is said.
type Amount struct {
	Field, Of protoreflect.FieldDescriptor
	Unit      protoreflect.FieldDescriptor // nil where Code says it
	Code      string
}

// suffixes are the ends of field names that say a unit.
var suffixes = []struct{ suffix, code string }{
	{"_kg_h", "kg/h"}, {"_kt", "[kn_i]"}, {"_kw", "kW"}, {"_nm", "N.m"}, {"_rpm", "{rpm}"}, {"_pct", "%"}, {"_m", "m"}, {"_c", "Cel"},
}

// AmountsOf lists the amounts of a message that are given a second time.
func AmountsOf(m protoreflect.MessageDescriptor) []Amount {
	var out []Amount
	fields := m.Fields()
	for i := range fields.Len() {
		field := fields.Get(i)
		if field.Message() == nil || field.Message().FullName() != converted {
			continue
		}
		a := Amount{Field: field, Unit: fields.ByName("unit_code")}
		if of, ok := strings.CutPrefix(string(field.Name()), "converted_"); ok {
			a.Of = fields.ByName(protoreflect.Name(of))
		} else if a.Of = fields.ByName("value"); a.Of == nil {
			a.Of = fields.ByName("text")
		}
		if a.Unit == nil && a.Of != nil {
			a.Code = codeOf(string(a.Of.Name()))
		}
		out = append(out, a)
	}
	return out
}

func codeOf(name string) string {
	for _, s := range suffixes {
		if strings.HasSuffix(name, s.suffix) {
			return s.code
		}
	}
	return ""
}

// plan is what is to be done in messages of a type.
type plan struct {
	amounts []Amount
	inner   []protoreflect.FieldDescriptor // fields whose messages may have amounts, however deep
}

var plans sync.Map // of message type to *plan

func planOf(m protoreflect.MessageDescriptor) *plan {
	if known, ok := plans.Load(m.FullName()); ok {
		if p, ok := known.(*plan); ok {
			return p
		}
	}
	p := &plan{amounts: AmountsOf(m)}
	fields := m.Fields()
	for i := range fields.Len() {
		if inner := messageOf(fields.Get(i)); inner != nil && reaches(inner, map[protoreflect.FullName]bool{}) {
			p.inner = append(p.inner, fields.Get(i))
		}
	}
	plans.Store(m.FullName(), p)
	return p
}

// messageOf is the type of the messages of a field, of a map's values too; nil where there are none.
func messageOf(f protoreflect.FieldDescriptor) protoreflect.MessageDescriptor {
	if f.IsMap() {
		f = f.MapValue()
	}
	return f.Message()
}

// Carries says whether messages of a type can have amounts that are given a second time.
func Carries(m protoreflect.MessageDescriptor) bool {
	return reaches(m, map[protoreflect.FullName]bool{})
}

func reaches(m protoreflect.MessageDescriptor, seen map[protoreflect.FullName]bool) bool {
	if seen[m.FullName()] {
		return false
	}
	seen[m.FullName()] = true
	fields := m.Fields()
	for i := range fields.Len() {
		inner := messageOf(fields.Get(i))
		if inner != nil && (inner.FullName() == converted || reaches(inner, seen)) {
			return true
		}
	}
	return false
}

// walk calls do with every message that has amounts.
func walk(m protoreflect.Message, do func(protoreflect.Message, []Amount)) {
	p := planOf(m.Descriptor())
	if len(p.amounts) > 0 {
		do(m, p.amounts)
	}
	for _, f := range p.inner {
		if !m.Has(f) {
			continue
		}
		switch v := m.Get(f); {
		case f.IsMap():
			v.Map().Range(func(_ protoreflect.MapKey, v protoreflect.Value) bool {
				walk(v.Message(), do)
				return true
			})
		case f.IsList():
			for i := range v.List().Len() {
				walk(v.List().Get(i).Message(), do)
			}
		default:
			walk(v.Message(), do)
		}
	}
}

// Strip throws away what a request has in fields that only answers have.
func Strip(m protoreflect.Message) {
	walk(m, func(m protoreflect.Message, amounts []Amount) {
		for _, a := range amounts {
			m.Clear(a.Field)
		}
	})
}

// Fill states the amounts of an answer in a system of units. One that is no number, or has no unit that is known, is left as it is.
func Fill(m protoreflect.Message, system quantity.System) {
	walk(m, func(m protoreflect.Message, amounts []Amount) {
		for _, a := range amounts {
			if c := a.in(m, system); c != nil {
				m.Set(a.Field, protoreflect.ValueOfMessage(c.ProtoReflect()))
			}
		}
	})
}

func (a Amount) in(m protoreflect.Message, system quantity.System) *commonv1.Converted {
	code := a.Code
	if a.Unit != nil {
		code = m.Get(a.Unit).String()
	}
	text, ok := written(m, a.Of)
	if !ok {
		return nil
	}
	q, err := quantity.Parse(text, code)
	if err == nil {
		q, err = q.In(system)
	}
	if err != nil {
		return nil
	}
	return &commonv1.Converted{Value: q.Value().String(), UnitCode: q.Unit().Code, Rec20UnitCode: q.Unit().Rec20, DisplayText: q.Text()}
}

// floatDigits are the significant digits of a computed number that are converted.
const floatDigits = 6

// written is an amount as a plain decimal; false where there is none.
func written(m protoreflect.Message, of protoreflect.FieldDescriptor) (string, bool) {
	if of.HasPresence() && !m.Has(of) {
		return "", false
	}
	if of.Kind() == protoreflect.StringKind {
		text := m.Get(of).String()
		return strings.Replace(text, ",", ".", 1), text != ""
	}
	rounded, err := strconv.ParseFloat(strconv.FormatFloat(m.Get(of).Float(), 'e', floatDigits-1, 64), 64)
	return strconv.FormatFloat(rounded, 'f', -1, 64), err == nil
}
