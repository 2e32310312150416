// Package telemetry is where traces, metrics and log lines of a process meet: OpenTelemetry with the exporters that the
// configuration names, Prometheus on the admin address, and log lines that carry the ids of their trace.
//
// The providers are set for the whole process, as the instrumentation libraries expect; one process opens it once.
package telemetry

import (
	"context"
	"errors"
	"fmt"
	"net/http"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/promhttp"
	"go.opentelemetry.io/otel"
	"go.opentelemetry.io/otel/attribute"
	"go.opentelemetry.io/otel/exporters/otlp/otlpmetric/otlpmetricgrpc"
	"go.opentelemetry.io/otel/exporters/otlp/otlptrace/otlptracegrpc"
	otelprometheus "go.opentelemetry.io/otel/exporters/prometheus"
	"go.opentelemetry.io/otel/propagation"
	"go.opentelemetry.io/otel/sdk/metric"
	"go.opentelemetry.io/otel/sdk/resource"
	"go.opentelemetry.io/otel/sdk/trace"
)

// Config says where measurements go.
type Config struct {
	OTLP     string // URL of an OTLP gRPC receiver, such as http://127.0.0.1:4317; empty sends nothing anywhere
	Version  string // of the program
	Instance string // tells the processes of one installation apart
}

// Telemetry is open until Close.
type Telemetry struct {
	registry *prometheus.Registry
	close    []func(context.Context) error
}

// Open sets the process's providers up.
func Open(ctx context.Context, cfg Config) (*Telemetry, error) {
	t := &Telemetry{registry: prometheus.NewRegistry()}
	of := resource.NewSchemaless(attribute.String("service.name", "coldsection"), attribute.String("service.version", cfg.Version),
		attribute.String("service.instance.id", cfg.Instance))
	reader, err := otelprometheus.New(otelprometheus.WithRegisterer(t.registry))
	if err != nil {
		return nil, fmt.Errorf("metrics: %w", err)
	}
	meters := []metric.Option{metric.WithResource(of), metric.WithReader(reader)}
	if cfg.OTLP != "" {
		push, err := t.export(ctx, cfg.OTLP, of)
		if err != nil {
			return nil, err
		}
		meters = append(meters, metric.WithReader(push))
	}
	provider := metric.NewMeterProvider(meters...)
	t.close = append(t.close, provider.Shutdown)
	otel.SetMeterProvider(provider)
	otel.SetTextMapPropagator(propagation.NewCompositeTextMapPropagator(propagation.TraceContext{}, propagation.Baggage{}))
	return t, nil
}

// export sends traces and metrics to a receiver. A receiver that is away delays nothing: what it misses is lost.
func (t *Telemetry) export(ctx context.Context, url string, of *resource.Resource) (metric.Reader, error) {
	spans, err := otlptracegrpc.New(ctx, otlptracegrpc.WithEndpointURL(url))
	if err != nil {
		return nil, fmt.Errorf("traces to %s: %w", url, err)
	}
	tracers := trace.NewTracerProvider(trace.WithBatcher(spans), trace.WithResource(of))
	otel.SetTracerProvider(tracers)
	t.close = append(t.close, tracers.Shutdown)
	series, err := otlpmetricgrpc.New(ctx, otlpmetricgrpc.WithEndpointURL(url))
	if err != nil {
		return nil, fmt.Errorf("metrics to %s: %w", url, err)
	}
	return metric.NewPeriodicReader(series), nil
}

// Metrics serves what Prometheus reads.
func (t *Telemetry) Metrics() http.Handler {
	return promhttp.HandlerFor(t.registry, promhttp.HandlerOpts{})
}

// Close sends what is left, until ctx ends.
func (t *Telemetry) Close(ctx context.Context) error {
	var errs []error
	for _, fn := range t.close {
		errs = append(errs, fn(ctx))
	}
	return errors.Join(errs...)
}
