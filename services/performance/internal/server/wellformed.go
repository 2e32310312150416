package server

import (
	"math"
	"strings"
	"unicode/utf8"

	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/types/known/timestamppb"

	commonv1 "coldsection.example/proto/coldsection/common/v1"
	performancev1 "coldsection.example/proto/coldsection/performance/v1"
	"coldsection.example/services/platform/clock"
)

// wellFormed says whether a message of a stream surely keeps the contract, without the reflection that finds what is wrong and
// takes a third of the time of a reading. It may say no of a good one, which is then looked at in full; never yes of a bad one.
func wellFormed(req *performancev1.StreamReadingsRequest) bool {
	r := req.GetReading()
	if !plain(req.GetParent(), math.MaxInt) || req.GetParent() == "" || r == nil || unknown(req) || unknown(r) {
		return false
	}
	if r.GetValues() != nil || r.GetDeviation() != nil || r.GetCreateTime() != nil { // output only: seldom sent
		return false
	}
	for _, text := range []string{r.GetName(), r.GetStateReason(), r.GetStateText(), r.GetEtag(), r.GetSupersededReading(), r.GetCorrectingReading()} {
		if text != "" {
			return false
		}
	}
	if !moment(r.GetReadTime()) || !plain(r.GetPhase(), 40) || !plain(r.GetSource(), 80) || !plain(r.GetSourceId(), 120) {
		return false
	}
	for _, e := range []*commonv1.Entered{
		r.GetPressureAltitude(), r.GetOat(), r.GetTorque(), r.GetPropellerSpeed(), r.GetNg(), r.GetItt(), r.GetFuelFlow(),
	} {
		if e == nil || !entered(e) {
			return false
		}
	}
	return (r.GetAirspeed() == nil || entered(r.GetAirspeed())) && (r.GetOperatingHours() == nil || entered(r.GetOperatingHours()))
}

func entered(e *commonv1.Entered) bool {
	return e.GetText() != "" && plain(e.GetText(), 64) && e.GetUnitCode() != "" && plain(e.GetUnitCode(), 24) && e.GetConverted() == nil && !unknown(e)
}

// plain says whether a text is empty, or readable and of at most so many bytes, which is no more characters.
func plain(text string, most int) bool {
	return text == "" || len(text) <= most && utf8.ValidString(text) && strings.IndexByte(text, 0) < 0 && strings.TrimSpace(text) != ""
}

func moment(t *timestamppb.Timestamp) bool {
	return t != nil && t.IsValid() && clock.Sane(t.AsTime().Year()) && !unknown(t)
}

func unknown(m interface{ ProtoReflect() protoreflect.Message }) bool {
	return len(m.ProtoReflect().GetUnknown()) > 0
}
