package gateway_test

import (
	"bytes"
	"compress/gzip"
	"encoding/binary"
	"io"
	"net/http"
	"strings"
	"testing"

	_ "google.golang.org/grpc/encoding/gzip" // which the program has

	accessv1 "coldsection.example/proto/coldsection/access/v1"
)

// Case A3: a whole number in JSON reaches its service exactly, in whichever form it is written, or is refused; it is never rounded.
func TestWholeNumbersAreExactOrRefused(t *testing.T) {
	w := newWorld(t)
	planner := w.hire("pia", "planner")
	for given, want := range map[string]string{
		"12": "12", `"12"`: "12", "1.0": "1", "1e2": "100", "100e-2": "1", "0": "0", "-0": "0", "9007199254740993": "9007199254740993",
		`"9007199254740993"`: "9007199254740993", "9.007199254740993e15": "9007199254740993", "9223372036854775807": "9223372036854775807",
		`"9223372036854775807"`: "9223372036854775807", "9223372036854775806.0": "9223372036854775806",
		"9223372036854775808": "REQUEST_UNREADABLE", `"9223372036854775808"`: "REQUEST_UNREADABLE", "1.5": "REQUEST_UNREADABLE", "1e-1": "REQUEST_UNREADABLE",
		"1e19": "REQUEST_UNREADABLE", "1e400": "REQUEST_UNREADABLE", strings.Repeat("9", 400): "REQUEST_UNREADABLE", `"12 "`: "REQUEST_UNREADABLE",
		`"0x10"`: "REQUEST_UNREADABLE", `"1_000"`: "REQUEST_UNREADABLE", `"\u0661\u0662"`: "REQUEST_UNREADABLE", "true": "REQUEST_UNREADABLE", "[1]": "REQUEST_UNREADABLE",
		"012": "REQUEST_UNREADABLE", "+1": "REQUEST_UNREADABLE", "NaN": "REQUEST_UNREADABLE", `""`: "REQUEST_UNREADABLE", "-1": "FIELD_INVALID",
	} {
		status, answer, _ := w.rest("POST", "/v1/workOrders/a:start", planner, `{"etag":"v1","counters":{"cycles":`+given+`}}`)
		got, _ := answer["reason"].(string)
		if counters, ok := answer["startCounters"].(map[string]any); ok {
			got, _ = counters["cycles"].(string)
		}
		if got != want || status != 200 && status != 400 {
			t.Errorf("%.60s: %d %v, want %s", given, status, answer, want)
		}
	}
}

// Case A7: what is no text is refused as the caller's mistake wherever it stands: in a body, in a query, in a path; nothing of it is read otherwise.
func TestWhatIsNoTextIsRefusedWhereverItStands(t *testing.T) {
	w := newWorld(t)
	for what, c := range map[string]struct{ bytes, escaped string }{
		"a byte that is none": {"\xff", "%FF"}, "half a character": {"\xc3", "%C3"}, "an overlong form": {"\xc0\xaf", "%C0%AF"},
		"an overlong NUL": {"\xc0\x80", "%C0%80"}, "half a surrogate pair": {"\xed\xa0\x80", "%ED%A0%80"}, "beyond the last character": {"\xf4\x90\x80\x80", "%F4%90%80%80"},
		"a NUL": {"\\u0000", "%00"},
	} {
		for where, call := range map[string][3]string{
			"a body":             {"POST", "/v1/items", `{"displayName":"a` + c.bytes + `","kind":"CLEANER","baseUnitCode":"L"}`},
			"a field's name":     {"POST", "/v1/items", `{"a` + c.bytes + `":"a","displayName":"a","kind":"CLEANER","baseUnitCode":"L"}`},
			"a filter":           {"GET", "/v1/accounts?filter=login%3D%22" + c.escaped + "%22", ""},
			"a parameter":        {"GET", "/v1/accounts?" + c.escaped + "=1", ""},
			"a page token":       {"GET", "/v1/accounts?pageToken=" + c.escaped, ""},
			"an item's name":     {"GET", "/v1/items/a" + c.escaped, ""},
			"a type of facts":    {"GET", "/v1/events?types=" + c.escaped, ""},
			"an idempotency key": {"POST", "/v1/items?requestId=a" + c.escaped, brush},
		} {
			status, problem, header := w.rest(call[0], call[1], w.admin, call[2])
			if status < 400 || status >= 500 || problem["reason"] == nil || header.Get("Content-Type") != "application/problem+json" {
				t.Errorf("%s in %s: %d %v", what, where, status, problem)
			}
		}
	}
	for what, body := range map[string]string{
		"a byte order mark": "\ufeff" + brush, "another one": "\xff\xfe" + brush, "two bytes a character": "{\x00\"\x00}\x00", "a mark behind": brush + "\ufeff",
		"a NUL behind": brush + "\x00",
	} {
		if status, problem, _ := w.rest("POST", "/v1/items", w.admin, body); status != 400 || problem["reason"] != "REQUEST_UNREADABLE" {
			t.Errorf("%s: %d %v", what, status, problem)
		}
	}
	if w.made.Load() != 0 {
		t.Errorf("%d items were made", w.made.Load())
	}
}

// zipped is so many megabytes of zeros in some kilobytes.
func zipped(t *testing.T, megabytes int) []byte {
	t.Helper()
	var out bytes.Buffer
	z, err := gzip.NewWriterLevel(&out, gzip.BestSpeed)
	if err != nil {
		t.Fatal(err)
	}
	for range megabytes {
		if _, err := z.Write(make([]byte, 1<<20)); err != nil {
			t.Fatal(err)
		}
	}
	if err := z.Close(); err != nil {
		t.Fatal(err)
	}
	return out.Bytes()
}

// Case A9: a message that is small as it comes and large unpacked is refused before it is read, on both protocols, in bounded memory.
func TestABombIsNotUnpacked(t *testing.T) {
	w := newWorld(t)
	bomb := zipped(t, 512)
	frame := append([]byte{1, 0, 0, 0, 0}, bomb...) // compressed, and how long
	binary.BigEndian.PutUint32(frame[1:5], uint32(len(bomb)))
	transport := &http.Transport{Protocols: new(http.Protocols)}
	transport.Protocols.SetUnencryptedHTTP2(true)
	t.Cleanup(transport.CloseIdleConnections)
	above := heap(func() {
		req, err := http.NewRequestWithContext(t.Context(), http.MethodPost, "http://"+w.target()+accessv1.AccessService_CreateAccount_FullMethodName, bytes.NewReader(frame))
		if err != nil {
			t.Fatal(err)
		}
		for name, value := range map[string]string{"Content-Type": "application/grpc+proto", "Grpc-Encoding": "gzip", "Te": "trailers", "Authorization": "Bearer " + w.admin} {
			req.Header.Set(name, value)
		}
		resp, err := transport.RoundTrip(req)
		if err != nil {
			t.Fatal(err)
		}
		_, _ = io.Copy(io.Discard, resp.Body)
		_ = resp.Body.Close()
		if code := resp.Header.Get("Grpc-Status") + resp.Trailer.Get("Grpc-Status"); code != "8" {
			t.Errorf("gRPC: status %s: %v %v, want 8 (RESOURCE_EXHAUSTED)", code, resp.Header, resp.Trailer)
		}
		status, problem, _ := w.rest("POST", "/v1/items", w.admin, string(bomb), "Content-Encoding", "gzip")
		if status != 415 || problem["reason"] != "CONTENT_TYPE_UNSUPPORTED" {
			t.Errorf("HTTP: %d %v", status, problem)
		}
	})
	t.Logf("%d kB hold 512 MB; memory grew by %d kB", len(bomb)>>10, above>>10)
	if above > 100<<20 {
		t.Errorf("memory grew by %d MB", above>>20)
	}
}
