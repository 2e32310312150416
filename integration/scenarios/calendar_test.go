package scenarios

import (
	"bytes"
	"io"
	"net/http"
	"os/exec"
	"strings"
	"testing"
	"time"

	"coldsection.example/services/platform/clock"
)

// subscribed is what a calendar program gets from an address, without any sign-in.
func subscribed(t *testing.T, url, etag string) (status int, header http.Header, body []byte) {
	t.Helper()
	req, err := http.NewRequestWithContext(t.Context(), http.MethodGet, url, http.NoBody)
	if err != nil {
		t.Fatal(err)
	}
	req.Header.Set("Accept", "text/calendar, */*;q=0.5")
	if etag != "" {
		req.Header.Set("If-None-Match", etag)
	}
	resp, err := http.DefaultClient.Do(req)
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = resp.Body.Close() }()
	if body, err = io.ReadAll(resp.Body); err != nil {
		t.Fatal(err)
	}
	return resp.StatusCode, resp.Header, body
}

// Checks PLN-01 to PLN-03 from outside: the calendar of a story's aircraft is read by another program; without a change it is the same
// and answers 304; ended, it is gone within a second; and its secret opens nothing else.
func TestACalendarIsReadByItsAddressAlone(t *testing.T) {
	stage, _ := retold(t)
	planner := stage.SignIn(t, "planner")
	made := planner.REST(http.MethodPost, "/v1/calendarFeeds", map[string]any{"displayName": "Due"})
	address, _ := made.Body["calendar"].(string)
	name, _ := made.Body["name"].(string)
	if made.Status != http.StatusOK || !strings.HasPrefix(address, "calendars/csc_") {
		t.Fatalf("%d, %v", made.Status, made.Body)
	}
	url := stage.URL("/v1/" + address + ".ics")
	status, header, text := subscribed(t, url, "")
	if status != http.StatusOK || !strings.HasPrefix(header.Get("Content-Type"), "text/calendar") || header.Get("ETag") == "" {
		t.Fatalf("%d, %v", status, header)
	}
	count := exec.CommandContext(t.Context(), "/usr/bin/python3", "-c", "import icalendar, sys\nprint(len(icalendar.Calendar.from_ical(sys.stdin.buffer.read()).walk('VEVENT')))")
	count.Stdin = bytes.NewReader(text)
	if n, err := count.Output(); err != nil || strings.TrimSpace(string(n)) == "0" {
		t.Errorf("another program finds %s entries, %v, in %s", n, err, text)
	}
	if _, again, same := subscribed(t, url, ""); !bytes.Equal(same, text) || again.Get("ETag") != header.Get("ETag") {
		t.Errorf("read again: %s\nwas %s", same, text)
	}
	if status, _, body := subscribed(t, url, header.Get("ETag")); status != http.StatusNotModified || len(body) != 0 {
		t.Errorf("with its etag: %d, %q", status, body)
	}
	thief := stage.Stranger(t)
	thief.Token = strings.TrimPrefix(address, "calendars/")
	if answer := thief.REST(http.MethodGet, "/v1/dueItems", nil); answer.Status != http.StatusUnauthorized {
		t.Errorf("the secret as a token: %d", answer.Status)
	}
	if answer := planner.REST(http.MethodPost, "/v1/"+name+":revoke", "{}"); answer.Status != http.StatusOK {
		t.Fatalf("%v", answer)
	}
	ended := clock.System().Now()
	if status, _, _ := subscribed(t, url, header.Get("ETag")); status != http.StatusNotFound || clock.System().Now().Sub(ended) > time.Second {
		t.Errorf("ended: %d", status)
	}
}
