package agentdoor

import (
	"encoding/base64"
	"fmt"
	"math"
	"time"

	"google.golang.org/genproto/googleapis/type/date"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/types/known/durationpb"
	"google.golang.org/protobuf/types/known/timestamppb"
)

// untrusted is the key under which texts of people and other systems are.
const untrusted = "untrusted_text"

// object is a JSON object.
type object = map[string]any

// describe is a message as an answer shows it. Fields that are not set are left out; numbers that can't be unset are shown.
func describe(m protoreflect.Message, unit string) object {
	out, texts := object{}, object{}
	fields := m.Descriptor().Fields()
	for i := range fields.Len() {
		f := fields.Get(i)
		if !m.Has(f) && (f.HasPresence() || f.IsList() || f.IsMap() || !numeric(f) && f.Kind() != protoreflect.BoolKind) {
			continue
		}
		if number, ok := m.Get(f).Interface().(float64); ok && (math.IsNaN(number) || math.IsInf(number, 0)) {
			continue // JSON has no such number
		}
		value, safe := valueOf(f, m.Get(f))
		if safe {
			out[keyOf(f, unit)] = value
		} else {
			texts[string(f.Name())] = value
		}
	}
	if len(texts) > 0 {
		out[untrusted] = texts
	}
	return out
}

// valueOf is a field's value as JSON, and whether it may stand among the suite's own.
func valueOf(f protoreflect.FieldDescriptor, v protoreflect.Value) (value any, safe bool) {
	if f.IsMap() {
		pairs := object{}
		v.Map().Range(func(k protoreflect.MapKey, v protoreflect.Value) bool {
			pairs[k.String()] = fmt.Sprint(v.Interface())
			return true
		})
		return pairs, false
	}
	if !f.IsList() {
		return single(f, v)
	}
	list := []any{}
	safe = f.Kind() != protoreflect.StringKind || trusted(f)
	for i := range v.List().Len() {
		one, ok := single(f, v.List().Get(i))
		list, safe = append(list, one), safe && ok
	}
	return list, safe
}

func single(f protoreflect.FieldDescriptor, v protoreflect.Value) (value any, safe bool) {
	switch f.Kind() {
	case protoreflect.MessageKind:
		return nested(f, v.Message()), true
	case protoreflect.EnumKind:
		if d := f.Enum().Values().ByNumber(v.Enum()); d != nil {
			return string(d.Name()), true
		}
		return fmt.Sprintf("UNKNOWN_%d", v.Enum()), true
	case protoreflect.StringKind:
		return v.String(), trusted(f) && plain(v.String())
	case protoreflect.BytesKind:
		return base64.StdEncoding.EncodeToString(v.Bytes()), false
	default:
		return v.Interface(), true
	}
}

func nested(f protoreflect.FieldDescriptor, m protoreflect.Message) any {
	switch m := m.Interface().(type) {
	case *timestamppb.Timestamp:
		return m.AsTime().Format(time.RFC3339Nano)
	case *durationpb.Duration:
		return fmt.Sprintf("%gs", m.AsDuration().Seconds())
	case *date.Date:
		return fmt.Sprintf("%04d-%02d-%02d", m.GetYear(), m.GetMonth(), m.GetDay())
	case proto.Message:
		return describe(m.ProtoReflect(), unitOf(f))
	default:
		return nil
	}
}
