package scenarios

import (
	"net/http"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/nats-io/nats.go"
	"google.golang.org/grpc/metadata"

	compliancev1 "coldsection.example/proto/coldsection/compliance/v1"

	"coldsection.example/integration/harness"
	"coldsection.example/services/platform/clock"
)

// A trace that a caller began goes on: over HTTP and over gRPC it leads through the gateway into the service and onto the fact that the call made,
// and from there to what others make of the fact, in one process and in two.
func TestACallersTraceGoesOn(t *testing.T) {
	for name, open := range map[string]func(t *testing.T, events, traces string) *harness.Stage{
		"one process": func(t *testing.T, events, traces string) *harness.Stage {
			t.Helper()
			return harness.OneProcessWith(t, "--nats", events, "--replicas", "1", "--otlp", traces)
		},
		"two processes": func(t *testing.T, events, traces string) *harness.Stage {
			t.Helper()
			stage, _ := behindWires(t, events, "--otlp", traces)
			return stage
		},
	} {
		t.Run(name, func(t *testing.T) { traceGoesOn(t, open) })
	}
}

func traceGoesOn(t *testing.T, open func(t *testing.T, events, traces string) *harness.Stage) {
	t.Helper()
	servers, receiver := harness.OneEventServer(t), harness.Receive(t)
	bus, err := nats.Connect(servers.URL)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(bus.Close)
	heard, err := bus.SubscribeSync("coldsection.v1.>")
	if err != nil {
		t.Fatal(err)
	}
	stage := open(t, servers.URL, receiver.URL)
	admin := administrator(t, stage)
	const overREST, overGRPC = "4bf92f3577b34da6a3ce929d0e0e4736", "0af7651916cd43dd8448eb211c80319c" // the examples of W3C Trace Context
	const span = "-00f067aa0ba902b7-01"
	must(t, admin.REST(http.MethodPost, "/v1/engines?engineId=by-rest", `{"serial":"DEMO-1","engineModel":"engineModels/demo"}`, "traceparent", "00-"+overREST+span))
	ctx := metadata.AppendToOutgoingContext(admin.Context(), "traceparent", "00-"+overGRPC+span)
	if _, err := compliancev1.NewComplianceServiceClient(stage.Conn(t)).CreateEngine(ctx, &compliancev1.CreateEngineRequest{
		EngineId: "by-grpc", Engine: &compliancev1.Engine{Serial: "DEMO-2", EngineModel: "engineModels/demo"},
	}); err != nil {
		t.Fatal(err)
	}
	for _, made := range [][2]string{{"engines/by-rest", overREST}, {"engines/by-grpc", overGRPC}} { // as their facts come
		subject, trace := made[0], made[1]
		eventType, parent := factInTrace(t, heard, subject, trace)
		page := must(t, admin.REST(http.MethodGet, "/v1/events?wait=20s&types="+eventType+"&subject="+subject, nil))
		if events := elements(page, "events"); len(events) != 1 || text(events[0].(map[string]any), "traceparent") != parent {
			t.Errorf("the feed says of %s %v, want the traceparent %s", subject, events, parent)
		}
		spansOf(t, receiver, trace, eventType)
	}
}

// factInTrace waits for the message about a subject, and asks for its trace, whose span is that of the call which made it, not the caller's own; the feed says the same.
func factInTrace(t *testing.T, heard *nats.Subscription, subject, trace string) (eventType, parent string) {
	t.Helper()
	for {
		m, err := heard.NextMsg(time.Minute)
		if err != nil {
			t.Fatalf("no fact about %s: %v", subject, err)
		}
		if m.Header.Get("ce-subject") != subject {
			continue
		}
		parent = m.Header.Get("ce-traceparent")
		if !strings.HasPrefix(parent, "00-"+trace+"-") || !strings.HasSuffix(parent, "-01") || strings.Contains(parent, "00f067aa0ba902b7") {
			t.Errorf("the fact about %s is in the trace %q, want %s", subject, parent, trace)
		}
		return m.Header.Get("ce-type"), parent
	}
}

// spansOf waits until the receiver has of a trace the call at the gateway and at the service, and what somebody made of its fact.
func spansOf(t *testing.T, receiver *harness.Receiver, trace, eventType string) {
	t.Helper()
	var spans []string
	for deadline := clock.System().After(time.Minute); ; {
		spans = receiver.Traces()[trace]
		calls := slices.DeleteFunc(slices.Clone(spans), func(s string) bool { return s != "coldsection.compliance.v1.ComplianceService/CreateEngine" })
		effects := slices.DeleteFunc(slices.Clone(spans), func(s string) bool { return !strings.HasSuffix(s, eventType) })
		if len(calls) >= 2 && len(effects) >= 1 {
			t.Logf("%s: %v", trace, spans)
			return
		}
		select {
		case <-deadline:
			t.Fatalf("the trace %s has only %v", trace, spans)
		case <-clock.System().After(100 * time.Millisecond):
		}
	}
}
