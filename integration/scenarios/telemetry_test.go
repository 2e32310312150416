package scenarios

import (
	"io"
	"net/http"
	"slices"
	"strings"
	"testing"

	"coldsection.example/integration/harness"
)

// One trace leads from a person's call over the service that took it to what other services made of the fact.
func TestATraceLeadsFromTheCallToItsEffects(t *testing.T) {
	receiver, admin := harness.Receive(t), harness.Address(t)
	stage := harness.OneProcessWith(t, "--otlp", receiver.URL, "--admin", admin)
	play(t, stage, nil)

	page := fetch(t, "http://"+admin+"/metrics")
	for _, name := range []string{
		`rpc_server_call_duration_seconds_count{`, `coldsection_outbox_waiting{`, `coldsection_events_parked{`, `coldsection_events_parked_oldest_timestamp_seconds{`, `part="workorders"`,
		`coldsection_stock_shortages{`, `coldsection_stock_lots_near_end{`,
	} {
		if !strings.Contains(page, name) {
			t.Errorf("the metrics lack %s", name)
		}
	}
	for _, path := range []string{"/livez", "/readyz"} {
		fetch(t, "http://"+admin+path)
	}
	if err := stage.Processes[0].Terminate(); err != nil { // sends what is left
		t.Fatal(err)
	}
	want := []string{"coldsection.workorders.v1.WorkOrdersService/ReleaseWorkOrder", "coldsection.workorder.released.v1"}
	for _, spans := range receiver.Traces() {
		all := strings.Join(spans, "\n")
		calls := strings.Count(all, want[0])
		effects := slices.DeleteFunc(slices.Clone(spans), func(s string) bool { return !strings.HasSuffix(s, want[1]) })
		if calls >= 2 && len(effects) >= 3 { // at the gateway and at the service; compliance, performance and stores
			return
		}
	}
	t.Errorf("no trace has %q; there are %d traces", want, len(receiver.Traces()))
}

func fetch(t *testing.T, url string) string {
	t.Helper()
	req, err := http.NewRequestWithContext(t.Context(), http.MethodGet, url, http.NoBody)
	if err != nil {
		t.Fatal(err)
	}
	resp, err := http.DefaultClient.Do(req)
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = resp.Body.Close() }()
	text, err := io.ReadAll(resp.Body)
	if err != nil || resp.StatusCode >= 300 {
		t.Fatalf("%s: %d %s %v", url, resp.StatusCode, text, err)
	}
	return string(text)
}
