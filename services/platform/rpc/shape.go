package rpc

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"time"
	"unicode/utf8"

	"buf.build/go/protovalidate"
	"google.golang.org/genproto/googleapis/type/date"
	"google.golang.org/protobuf/reflect/protopath"
	"google.golang.org/protobuf/reflect/protorange"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/types/known/timestamppb"

	"coldsection.example/services/platform/clock"
	"coldsection.example/services/platform/fault"
)

// shape refuses what no field of the contract may hold, however deep it is: fields that the contract lacks, numbers that are
// none or none that anything here is measured in, days and times that the calendar does not have, texts of spaces only, and NUL, which one of our
// stores can't keep. A zero with a minus becomes zero. Reasons: UNKNOWN_FIELD, NUMBER_NOT_FINITE, NUMBER_OUT_OF_RANGE, DATE_INVALID, TIME_INVALID,
// TEXT_BLANK, TEXT_UNREADABLE.
func shape(m protoreflect.Message) error {
	if sound(m) {
		return nil
	}
	return protorange.Range(m, func(p protopath.Values) error {
		if sentAlong(m.Interface(), p) {
			return nil // what was stored under older rules is sent back by who changes something else
		}
		last := p.Index(-1)
		switch v := last.Value.Interface().(type) {
		case protoreflect.Message:
			if len(v.GetUnknown()) > 0 {
				return fault.Invalid(pathOf(p), "UNKNOWN_FIELD",
					"The request has a field in %s that the contract does not know. Leave it out, or check the version of the contract.", v.Descriptor().Name())
			}
			return happens(p, v)
		case float64:
			return measurable(p, v)
		case string:
			return readable(p, v)
		}
		return nil
	})
}

// sound is shape without the place of what is wrong, which takes most of the time; what it is in doubt of, it leaves to shape.
func sound(m protoreflect.Message) bool {
	if len(m.GetUnknown()) > 0 {
		return false
	}
	good := true
	m.Range(func(fd protoreflect.FieldDescriptor, v protoreflect.Value) bool {
		switch {
		case fd.IsMap():
			good = false
		case fd.IsList():
			list := v.List()
			for i := 0; i < list.Len() && good; i++ {
				good = soundValue(fd.Kind(), list.Get(i))
			}
		default:
			if good = soundValue(fd.Kind(), v); negativeZero(fd.Kind(), v) {
				m.Set(fd, protoreflect.ValueOfFloat64(0))
			}
		}
		return good
	})
	return good
}

func soundValue(kind protoreflect.Kind, v protoreflect.Value) bool {
	switch kind {
	case protoreflect.MessageKind, protoreflect.GroupKind:
		m := v.Message()
		return m.Descriptor().FullName() != "google.protobuf.Any" && happens(protopath.Values{}, m) == nil && sound(m)
	case protoreflect.DoubleKind, protoreflect.FloatKind:
		return v.Float() == 0 || math.Abs(v.Float()) >= leastNumber && math.Abs(v.Float()) <= mostNumber
	case protoreflect.StringKind:
		text := v.String()
		return text == "" || strings.TrimSpace(text) != "" && strings.IndexByte(text, 0) < 0 && utf8.ValidString(text)
	default:
		return true
	}
}

// Numbers between these are taken, and zero. More than a thousand million millions nothing here counts or measures, and its square would be near the
// end of what a number can be; smaller ones than the least have lost digits.
const (
	mostNumber  = 1e15
	leastNumber = 0x1p-1022
)

// negativeZero says whether a value is a zero with a minus, which nobody means and everything that prints it would show.
func negativeZero(kind protoreflect.Kind, v protoreflect.Value) bool {
	return kind == protoreflect.DoubleKind && v.Float() == 0 && math.Signbit(v.Float())
}

// measurable refuses numbers that are none, or that nothing is measured in.
func measurable(p protopath.Values, v float64) error {
	last, at := p.Index(-1), p.Index(-2).Value
	switch size := math.Abs(v); {
	case math.IsNaN(v) || math.IsInf(v, 0):
		return fault.Invalid(pathOf(p), "NUMBER_NOT_FINITE", "%s is %v; a number must be finite. Correct it and send the request again.", pathOf(p), v)
	case size > mostNumber || size > 0 && size < leastNumber:
		return fault.Invalid(pathOf(p), "NUMBER_OUT_OF_RANGE", "%s is %g; numbers up to %g are taken, and none that is nearer to zero than %.3g. Correct it and send the request again.",
			pathOf(p), v, mostNumber, leastNumber)
	case math.Signbit(v) && size == 0 && last.Step.Kind() == protopath.FieldAccessStep:
		at.Message().Set(last.Step.FieldDescriptor(), protoreflect.ValueOfFloat64(0))
	}
	return nil
}

// happens refuses a day or an instant that never is, as 30 February would be counted as the 2nd of March by whoever adds to it, and one of years that
// nobody means.
func happens(p protopath.Values, m protoreflect.Message) error {
	switch v := m.Interface().(type) {
	case *date.Date:
		at := time.Date(int(v.GetYear()), time.Month(v.GetMonth()), int(v.GetDay()), 0, 0, 0, 0, time.UTC)
		year, month, day := at.Date()
		if int(v.GetYear()) != year || int(v.GetMonth()) != int(month) || int(v.GetDay()) != day {
			return fault.Invalid(pathOf(p), "DATE_INVALID", "%s is %04d-%02d-%02d, which is not a day of the calendar. Correct it.",
				pathOf(p), v.GetYear(), v.GetMonth(), v.GetDay())
		}
		if !clock.Sane(year) {
			return fault.Invalid(pathOf(p), "DATE_INVALID",
				"%s is %s, and only days of the years %d to %d are taken. Correct it, or leave it out where none is known.",
				pathOf(p), at.Format(time.DateOnly), clock.FirstYear, clock.LastYear)
		}
	case *timestamppb.Timestamp:
		if v.GetNanos() < 0 || int64(v.GetNanos()) >= int64(time.Second) {
			return fault.Invalid(pathOf(p), "TIME_INVALID", "%s has %d nanoseconds beside its seconds, and a second has 0 to 999,999,999. Correct it.",
				pathOf(p), v.GetNanos())
		}
		if !v.IsValid() {
			return fault.Invalid(pathOf(p), "TIME_INVALID", "%s is %d seconds from 1970, and times are taken from the year %d to %d. Correct it.",
				pathOf(p), v.GetSeconds(), clock.FirstYear, clock.LastYear)
		}
		if at := v.AsTime(); !clock.Sane(at.Year()) {
			return fault.Invalid(pathOf(p), "TIME_INVALID",
				"%s is %s, and only times of the years %d to %d are taken. Correct it, or leave it out where none is known.",
				pathOf(p), at.Format(time.RFC3339Nano), clock.FirstYear, clock.LastYear)
		}
	}
	return nil
}

// readable refuses a text that says nothing, or that not every store can keep.
func readable(p protopath.Values, text string) error {
	if text != "" && strings.TrimSpace(text) == "" {
		return fault.Invalid(pathOf(p), "TEXT_BLANK", "%s holds spaces only. Fill it in, or leave it out.", pathOf(p))
	}
	if !utf8.ValidString(text) {
		return fault.Invalid(pathOf(p), "TEXT_UNREADABLE", "%s has bytes that are no UTF-8 text. Correct it and send the request again.", pathOf(p))
	}
	if strings.ContainsRune(text, 0) {
		return fault.Invalid(pathOf(p), "TEXT_UNREADABLE", "%s holds the character NUL, which is no text. Correct it and send the request again.", pathOf(p))
	}
	return nil
}

// pathOf names a place in a request as field masks do: "lot.quantity.value".
func pathOf(p protopath.Values) string {
	if len(p.Path) == 0 {
		return ""
	}
	text := p.Path[1:].String()
	if len(text) > 0 && text[0] == '.' {
		text = text[1:]
	}
	return text
}

// longestShown bounds how much of a wrong value a refusal repeats.
const longestShown = 40

// shown repeats a wrong text, so that its writer recognises it; never one that may be a secret.
func shown(v *protovalidate.Violation) string {
	if v.FieldDescriptor == nil || v.FieldDescriptor.Kind() != protoreflect.StringKind || v.FieldDescriptor.IsList() || v.FieldDescriptor.IsMap() {
		return ""
	}
	text, name := v.FieldValue.String(), string(v.FieldDescriptor.Name())
	if text == "" || slices.ContainsFunc(secretFields, func(s string) bool { return strings.Contains(name, s) }) {
		return ""
	}
	if runes := []rune(text); len(runes) > longestShown {
		text = string(runes[:longestShown]) + "…"
	}
	return fmt.Sprintf(" %q", text)
}

// secretFields are parts of the names of fields whose values no refusal repeats.
var secretFields = []string{"password", "token", "secret", "key", "code"}
