package apirules

import (
	"strings"

	"google.golang.org/protobuf/reflect/protoreflect"
)

func fieldRules() []Rule {
	return []Rule{
		{"core::0140::abbreviations", "Field names use the common short form of long words.", abbreviations},
		{"core::0140::prepositions", "Field names have no preposition.", fieldPrepositions},
		{"core::0141::count-suffix", "Counts end in _count and do not start with num_.", countSuffix},
		{"core::0141::forbidden-types", "Numbers are signed and of variable length.", signedOnly},
		{"core::0142::time-field-names", "Timestamps end in _time and are in the imperative mood.", timeNames},
		{"core::0142::time-field-type", "Fields whose name ends in _time are timestamps.", timeTypes},
		{"core::0143::standardized-codes", "Codes of a published standard carry the standard's field name.", standardCodes},
	}
}

// prepositions are the ones that AIP-140 and AIP-136 give as examples and the others that tie two ideas in one name. Units
// may have a "per" (AIP-141), so it is not among them.
var prepositions = set("after", "at", "before", "between", "but", "by", "except", "for", "from", "in", "including", "into",
	"of", "over", "since", "to", "toward", "under", "until", "upon", "with", "within", "without")

func abbreviations(r *run) {
	short := map[string]string{
		"configuration": "config", "identifier": "id", "information": "info", "specification": "spec", "statistics": "stats",
	}
	r.fields(func(f protoreflect.FieldDescriptor) {
		for _, w := range words(string(f.Name())) {
			if short[w] != "" {
				r.reportf(f, "write %q for %q", short[w], w)
			}
		}
	})
}

func fieldPrepositions(r *run) {
	r.fields(func(f protoreflect.FieldDescriptor) {
		if f.Name() == "order_by" || f.Name() == "group_by" {
			return
		}
		for _, w := range words(string(f.Name())) {
			if prepositions[w] {
				r.reportf(f, "has the preposition %q in its name; name the thing itself", w)
			}
		}
	})
}

func countSuffix(r *run) {
	r.fields(func(f protoreflect.FieldDescriptor) {
		if rest, ok := strings.CutPrefix(string(f.Name()), "num_"); ok {
			r.reportf(f, "call it %s_count", strings.TrimSuffix(rest, "s"))
		}
	})
}

func signedOnly(r *run) {
	r.fields(func(f protoreflect.FieldDescriptor) {
		switch f.Kind() {
		case protoreflect.Uint32Kind, protoreflect.Uint64Kind, protoreflect.Fixed32Kind, protoreflect.Fixed64Kind:
			r.reportf(f, "is unsigned, which many languages and JSON readers lack; use int32 or int64")
		default:
		}
	})
}

func timestamp(f protoreflect.FieldDescriptor) bool {
	return f.Message() != nil && f.Message().FullName() == "google.protobuf.Timestamp"
}

func timeNames(r *run) {
	bygone := set("created", "expired", "modified", "updated")
	r.fields(func(f protoreflect.FieldDescriptor) {
		name := string(f.Name())
		suffix := "_time"
		if f.IsList() {
			suffix = "_times"
		}
		first := words(name)[0]
		switch {
		case timestamp(f) && !strings.HasSuffix(name, suffix):
			r.reportf(f, "is a timestamp; end its name in %s", suffix)
		case bygone[name] || timestamp(f) && bygone[first]:
			r.reportf(f, "is a past participle; name it in the imperative mood, such as create_time")
		}
	})
}

func timeTypes(r *run) {
	r.fields(func(f protoreflect.FieldDescriptor) {
		if strings.HasSuffix(string(f.Name()), "_time") && !timestamp(f) {
			r.reportf(f, "is no google.protobuf.Timestamp; make it one or name it by what it is")
		}
	})
}

func standardCodes(r *run) {
	standard := map[string]string{
		"content_type": "mime_type", "mime": "mime_type", "mimetype": "mime_type", "country": "region_code",
		"country_code": "region_code", "currency": "currency_code", "lang": "language_code", "language": "language_code",
		"tz": "time_zone", "timezone": "time_zone",
	}
	r.fields(func(f protoreflect.FieldDescriptor) {
		if want := standard[string(f.Name())]; want != "" {
			r.reportf(f, "call it %s", want)
		}
	})
}
