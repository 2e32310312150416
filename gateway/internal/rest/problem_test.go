package rest

import (
	"net/http"
	"strings"
	"testing"

	"coldsection.example/services/platform/eventbus"
)

// Check EVT-03: who comes back with a cursor whose facts are not kept any more is told where to go on, in words and in the metadata.
func TestAnOldCursorIsGoneWithTheWayBack(t *testing.T) {
	p := ProblemOf(eventbus.NotKept(5, 100, 200))
	if p.Status != http.StatusGone || p.Reason != "CURSOR_TOO_OLD" || !strings.Contains(p.Detail, "List methods") {
		t.Errorf("%+v", p)
	}
	if p.Metadata["oldest_cursor"] != "00000000000000000100" || p.Metadata["newest_cursor"] != "00000000000000000200" {
		t.Errorf("the way back: %v", p.Metadata)
	}
	if err := eventbus.NotKept(100, 100, 200); err != nil {
		t.Errorf("the cursor before the oldest fact: %v", err)
	}
}
