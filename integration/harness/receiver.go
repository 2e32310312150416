package harness

import (
	"context"
	"encoding/hex"
	"net"
	"sync"
	"testing"

	metricspb "go.opentelemetry.io/proto/otlp/collector/metrics/v1"
	collector "go.opentelemetry.io/proto/otlp/collector/trace/v1"
	"google.golang.org/grpc"
)

// Receiver takes traces as an OTLP receiver does and remembers the names of the spans of each.
type Receiver struct {
	collector.UnimplementedTraceServiceServer

	URL string

	mu     sync.Mutex
	traces map[string][]string
	series map[string]bool
}

// Receive starts a receiver.
func Receive(t testing.TB) *Receiver {
	t.Helper()
	r := &Receiver{traces: map[string][]string{}, series: map[string]bool{}}
	listener, err := (&net.ListenConfig{}).Listen(t.Context(), "tcp", Address(t))
	if err != nil {
		t.Fatal(err)
	}
	r.URL = "http://" + listener.Addr().String()
	server := grpc.NewServer()
	collector.RegisterTraceServiceServer(server, r)
	metricspb.RegisterMetricsServiceServer(server, metrics{Receiver: r})
	done := make(chan error, 1)
	go func() { done <- server.Serve(listener) }()
	t.Cleanup(func() {
		server.Stop()
		if err := <-done; err != nil {
			t.Error(err)
		}
	})
	return r
}

// Export takes spans.
func (r *Receiver) Export(_ context.Context, req *collector.ExportTraceServiceRequest) (*collector.ExportTraceServiceResponse, error) {
	r.mu.Lock()
	defer r.mu.Unlock()
	for _, of := range req.GetResourceSpans() {
		for _, scope := range of.GetScopeSpans() {
			for _, span := range scope.GetSpans() {
				id := hex.EncodeToString(span.GetTraceId())
				r.traces[id] = append(r.traces[id], span.GetName())
			}
		}
	}
	return &collector.ExportTraceServiceResponse{}, nil
}

// Traces are the names of the spans of every trace.
func (r *Receiver) Traces() map[string][]string {
	r.mu.Lock()
	defer r.mu.Unlock()
	found := map[string][]string{}
	for id, spans := range r.traces {
		found[id] = append([]string(nil), spans...)
	}
	return found
}

// Series says whether a metric of this name arrived.
func (r *Receiver) Series(name string) bool {
	r.mu.Lock()
	defer r.mu.Unlock()
	return r.series[name]
}

// metrics is the receiver's side for metrics; both services call their method Export.
type metrics struct {
	metricspb.UnimplementedMetricsServiceServer
	*Receiver
}

// Export takes metrics.
func (m metrics) Export(_ context.Context, req *metricspb.ExportMetricsServiceRequest) (*metricspb.ExportMetricsServiceResponse, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	for _, of := range req.GetResourceMetrics() {
		for _, scope := range of.GetScopeMetrics() {
			for _, metric := range scope.GetMetrics() {
				m.series[metric.GetName()] = true
			}
		}
	}
	return &metricspb.ExportMetricsServiceResponse{}, nil
}
