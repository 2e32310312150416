package rpc

import (
	"maps"
	"slices"
	"strconv"
	"strings"
	"unicode/utf8"

	"coldsection.example/services/platform/fault"
)

// A refusal travels in the headers of an answer, which clients take some kilobytes of: one that is longer ends their whole connection, with every
// other call on it. So much of one is said, in bytes.
const (
	maxSentence   = 2000
	maxValue      = 500
	maxFacts      = 4000
	maxViolations = 4000
	maxField      = 200
)

// mostViolations is how many broken rules of a request are put into words at all.
const mostViolations = 100

// short is a text of so many bytes at most, which says that it was cut.
func short(text string, most int) string {
	if len(text) <= most {
		return strings.ToValidUTF8(text, "\uFFFD")
	}
	end := most - len("…")
	for end > 0 && !utf8.RuneStart(text[end]) {
		end--
	}
	return strings.ToValidUTF8(text[:end], "\uFFFD") + "…"
}

// briefFacts are the metadata of a refusal as far as they fit, those with names of their own first, with how many violations are left out.
func briefFacts(f *fault.Error, told int) map[string]string {
	facts, left := map[string]string{}, maxFacts
	all := f.Facts()
	if n := len(f.Violations) - told; n > 0 {
		all["violations_left_out"] = strconv.Itoa(n)
	}
	names := slices.SortedFunc(maps.Keys(all), func(a, b string) int {
		_, ours := f.Metadata[a]
		_, theirs := f.Metadata[b]
		if ours != theirs {
			return map[bool]int{true: -1, false: 1}[ours]
		}
		return strings.Compare(a, b)
	})
	for _, name := range names {
		value := short(all[name], maxValue)
		if left -= len(name) + len(value); left < 0 {
			break
		}
		facts[name] = value
	}
	return facts
}

// briefViolations are the first violations of a refusal, as many as fit; one at least.
func briefViolations(all []fault.Violation) (told []fault.Violation) {
	left := maxViolations
	for _, v := range all {
		v.Field, v.Description = short(v.Field, maxField), short(v.Description, maxValue)
		if left -= len(v.Field) + len(v.Description) + len(v.Reason); left < 0 && len(told) > 0 {
			break
		}
		told = append(told, v)
	}
	return told
}
