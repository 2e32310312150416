package gateway_test

import (
	"net/http"
	"testing"
	"time"
)

// Browsers count down by the suite's clock, whatever their own says, so every answer has it: of the API, of the console and of a refusal.
func TestAnswersSayTheSuitesTime(t *testing.T) {
	w := newWorld(t)
	w.clock.Advance(400*24*time.Hour + 250*time.Millisecond)
	for _, path := range []string{"/v1/sessions:describeSignIn", "/v1/sessions/current", "/", "/nowhere"} {
		req, err := http.NewRequestWithContext(t.Context(), http.MethodGet, w.http.URL+path, http.NoBody)
		if err != nil {
			t.Fatal(err)
		}
		_, _, header := w.send(req)
		if got, want := header.Get("Date"), w.clock.Now().Truncate(time.Second).Format(http.TimeFormat); got != want {
			t.Errorf("%s answers at %q, want %q", path, got, want)
		}
	}
}
