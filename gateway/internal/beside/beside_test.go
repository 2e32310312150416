package beside_test

import (
	"bytes"
	"errors"
	"log/slog"
	"strings"
	"testing"

	"coldsection.example/gateway/internal/beside"
)

// A panic is an error that says where it was, and stands in the log; an error and its absence go through as they are.
func TestAPanicIsAnError(t *testing.T) {
	var text bytes.Buffer
	log := slog.New(slog.NewTextHandler(&text, nil))
	err := beside.Do(t.Context(), log, "counting sheep", func() error { panic("a wolf") })
	if err == nil || !strings.Contains(err.Error(), "a wolf") || !strings.Contains(err.Error(), "beside_test.go") {
		t.Errorf("%v", err)
	}
	if !strings.Contains(text.String(), "counting sheep") || !strings.Contains(text.String(), "a wolf") {
		t.Errorf("the log: %s", text.String())
	}
	if err := beside.Do(t.Context(), nil, "counting sheep", func() error { panic(errors.ErrUnsupported) }); err == nil {
		t.Error("without a log a panic is no error")
	}
	gone := errors.New("gone")
	for _, want := range []error{nil, gone} {
		if err := beside.Do(t.Context(), log, "x", func() error { return want }); !errors.Is(err, want) {
			t.Errorf("%v, want %v", err, want)
		}
	}
}
