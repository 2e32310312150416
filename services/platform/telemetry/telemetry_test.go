package telemetry_test

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"log/slog"
	"net/http/httptest"
	"strings"
	"testing"

	"go.opentelemetry.io/otel/trace"

	"coldsection.example/services/platform/telemetry"
)

func TestLogLinesCarryTheirTrace(t *testing.T) {
	var out bytes.Buffer
	log := slog.New(telemetry.Log{Handler: slog.NewJSONHandler(&out, nil)}).With("part", "stores").WithGroup("call")
	span := trace.NewSpanContext(trace.SpanContextConfig{TraceID: trace.TraceID{1}, SpanID: trace.SpanID{2}})
	log.InfoContext(trace.ContextWithSpanContext(t.Context(), span), "refused", "reason", "LOT_HELD")
	var line struct {
		Part string            `json:"part"`
		Call map[string]string `json:"call"`
	}
	if err := json.Unmarshal(out.Bytes(), &line); err != nil {
		t.Fatal(err)
	}
	if line.Part != "stores" || line.Call["reason"] != "LOT_HELD" || line.Call["trace_id"] != span.TraceID().String() || line.Call["span_id"] != span.SpanID().String() {
		t.Errorf("got %s", &out)
	}
	out.Reset()
	log.InfoContext(t.Context(), "started")
	if strings.Contains(out.String(), "trace_id") {
		t.Errorf("a line outside of a trace names one: %s", &out)
	}
}

// What a caller sends into a log line neither begins another line nor reaches the terminal of who reads it.
func TestALogLineStaysOneLine(t *testing.T) {
	var out bytes.Buffer
	log := slog.New(telemetry.Log{Handler: slog.NewJSONHandler(&out, nil)})
	const sent = "x\r\n{\"level\":\"ERROR\",\"msg\":\"made up\"}\x1b[2J\x00\u2028"
	log.InfoContext(t.Context(), sent, "subject", sent, "error", errors.New(sent))
	text := out.String()
	var line struct {
		Msg     string `json:"msg"`
		Subject string `json:"subject"`
		Error   string `json:"error"`
	}
	if err := json.Unmarshal(out.Bytes(), &line); err != nil {
		t.Fatal(err)
	}
	if strings.Count(text, "\n") != 1 || strings.ContainsAny(text, "\r\x1b\x00\u2028") || line.Msg != sent || line.Subject != sent || line.Error != sent {
		t.Errorf("got %q", text)
	}
}

func TestGaugesAreReadWhenMetricsAre(t *testing.T) {
	tel, err := telemetry.Open(t.Context(), telemetry.Config{Version: "test", Instance: "here"})
	if err != nil {
		t.Fatal(err)
	}
	defer func() {
		if err := tel.Close(context.WithoutCancel(t.Context())); err != nil {
			t.Error(err)
		}
	}()
	value := int64(7)
	end, err := telemetry.Gauge("coldsection.test.waiting", "{fact}", "What waits.", "stores", func(context.Context) (int64, error) { return value, nil })
	if err != nil {
		t.Fatal(err)
	}
	read := func() string {
		w := httptest.NewRecorder()
		tel.Metrics().ServeHTTP(w, httptest.NewRequestWithContext(t.Context(), "GET", "/metrics", nil))
		return w.Body.String()
	}
	if page := read(); !strings.Contains(page, `part="stores"`) || !strings.Contains(page, "} 7\n") {
		t.Errorf("got %s", page)
	}
	value = 8
	if page := read(); !strings.Contains(page, "} 8\n") {
		t.Errorf("got %s", page)
	}
	endAll, err := telemetry.Gauges("stores", telemetry.Measure{
		Name: "coldsection.test.low", Unit: "{item}", Label: "item",
		Read: func(context.Context) (map[string]int64, error) {
			return map[string]int64{"items/a": 1, "items/b": 0}, nil
		},
	})
	if err != nil {
		t.Fatal(err)
	}
	if page := read(); strings.Count(page, "coldsection_test_low{") != 2 || !strings.Contains(page, `item="items/a"`) {
		t.Errorf("got %s", page)
	}
	endAll()
	end()
	if page := read(); strings.Contains(page, "coldsection_test_waiting") || strings.Contains(page, "coldsection_test_low") {
		t.Errorf("an ended gauge is read: %s", page)
	}
}
