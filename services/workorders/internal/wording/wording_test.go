package wording_test

import (
	"testing"

	"pgregory.net/rapid"

	"coldsection.example/services/platform/fault"
	"coldsection.example/services/workorders/internal/wording"
)

func TestPatternsAreCheckedWhenTheyAreEntered(t *testing.T) {
	for pattern, reason := range map[string]string{
		"Order {number}. Not done: {not_done}. Carried over: {deferred}.": "", "{not_done} {deferred} {nmber}": "PATTERN_UNKNOWN", "{not_done} {deferred} {": "PATTERN_UNKNOWN",
		"{not_done} {deferred} {}": "PATTERN_UNKNOWN", "Order {number}": "PATTERN_INCOMPLETE", "Not done: {not_done}": "PATTERN_INCOMPLETE",
	} {
		err := wording.Check("text", pattern, "not_done", "deferred")
		if reason == "" && err != nil || reason != "" && !fault.HasReason(err, reason) {
			t.Errorf("%q: %v, want %q", pattern, err, reason)
		}
	}
}

// What is filled in is never read as a pattern again, whatever it holds.
func TestValuesAreTextOnly(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		title := rapid.StringMatching(`[a-z{}_ ]{0,20}`).Draw(t, "title")
		got := wording.Fill("{title}|{number}", map[string]string{"title": title, "number": "{title}"})
		if got != title+"|{title}" {
			t.Errorf("%q", got)
		}
	})
}
