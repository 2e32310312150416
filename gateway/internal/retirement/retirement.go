// Package retirement tells what of the contract goes, and when: the headers Deprecation (RFC 9745) and Sunset (RFC 8594), and the words for
// the description of the API. It reads the contract's own options, so that one line in a .proto file says it everywhere.
package retirement

import (
	"fmt"
	"net/http"
	"time"

	"google.golang.org/genproto/googleapis/type/date"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/types/descriptorpb"

	optionsv1 "coldsection.example/proto/coldsection/options/v1"
)

// Notice is what is said of a method or a field that goes.
type Notice struct {
	Deprecated  time.Time // since when it is not to be used, at the start of that day in UTC
	Sunset      time.Time // from when it may be missing; zero when that is not decided
	Replacement string    // what to use instead
}

// OfMethod is the notice of a method, nil for one that stays.
func OfMethod(m protoreflect.MethodDescriptor) *Notice {
	return noticeOf(proto.GetExtension(m.Options(), optionsv1.E_MethodRetirement))
}

// OfField is the notice of a field, nil for one that stays.
func OfField(f protoreflect.FieldDescriptor) *Notice {
	return noticeOf(proto.GetExtension(f.Options(), optionsv1.E_FieldRetirement))
}

func noticeOf(option any) *Notice {
	r, _ := option.(*optionsv1.Retirement)
	if r == nil {
		return nil
	}
	return &Notice{Deprecated: start(r.GetDeprecateDate()), Sunset: start(r.GetSunsetDate()), Replacement: r.GetReplacement()}
}

// start is when a day begins in UTC; zero for none.
func start(d *date.Date) time.Time {
	if d == nil {
		return time.Time{}
	}
	return time.Date(int(d.GetYear()), time.Month(d.GetMonth()), int(d.GetDay()), 0, 0, 0, 0, time.UTC)
}

// Set writes the headers of an answer. Where several things go, the earliest times are said.
func (n *Notice) Set(h http.Header) {
	if n == nil {
		return
	}
	if at := n.Deprecated.Unix(); h.Get("Deprecation") == "" || h.Get("Deprecation") > fmt.Sprintf("@%d", at) { // of equal length until the year 2286
		h.Set("Deprecation", fmt.Sprintf("@%d", at)) // a date of a structured field
	}
	if len(h.Values("Link")) == 0 {
		h.Add("Link", `</changelog>; rel="deprecation"; type="text/markdown"`)
	}
	if n.Sunset.IsZero() {
		return
	}
	if said, err := http.ParseTime(h.Get("Sunset")); err != nil || n.Sunset.Before(said) {
		h.Set("Sunset", n.Sunset.Format(http.TimeFormat))
	}
}

// Words are the notice as a sentence.
func (n *Notice) Words() string {
	text := "Deprecated since " + n.Deprecated.Format(time.DateOnly)
	if !n.Sunset.IsZero() {
		text += "; it may be missing from " + n.Sunset.Format(time.DateOnly) + " on"
	}
	return text + ". " + n.Replacement
}

// Wrong says what is wrong with how a method or a field goes; "" when nothing is.
func Wrong(d protoreflect.Descriptor) string {
	var n *Notice
	deprecated := false
	switch d := d.(type) {
	case protoreflect.MethodDescriptor:
		options, _ := d.Options().(*descriptorpb.MethodOptions)
		n, deprecated = OfMethod(d), options.GetDeprecated()
	case protoreflect.FieldDescriptor:
		options, _ := d.Options().(*descriptorpb.FieldOptions)
		n, deprecated = OfField(d), options.GetDeprecated()
	}
	switch {
	case n == nil && deprecated:
		return "it is deprecated, and its retirement does not say since when"
	case n != nil && !deprecated:
		return "it has a retirement, and is not deprecated"
	case n != nil && (n.Deprecated.IsZero() || n.Replacement == ""):
		return "its retirement lacks the day or what to use instead"
	case n != nil && !n.Sunset.IsZero() && n.Sunset.Before(n.Deprecated.AddDate(0, 6, 0)):
		return "it goes sooner than half a year after it was deprecated"
	default:
		return ""
	}
}
