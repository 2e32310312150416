package telemetry

import (
	"context"
	"log/slog"

	"go.opentelemetry.io/otel/trace"
)

// Log is a handler that adds the ids of the running trace to every line.
type Log struct{ slog.Handler }

// Handle writes one line.
func (l Log) Handle(ctx context.Context, r slog.Record) error {
	if span := trace.SpanContextFromContext(ctx); span.IsValid() {
		r.AddAttrs(slog.String("trace_id", span.TraceID().String()), slog.String("span_id", span.SpanID().String()))
	}
	return l.Handler.Handle(ctx, r)
}

// WithAttrs keeps adding ids.
func (l Log) WithAttrs(attrs []slog.Attr) slog.Handler { return Log{l.Handler.WithAttrs(attrs)} }

// WithGroup keeps adding ids.
func (l Log) WithGroup(name string) slog.Handler { return Log{l.Handler.WithGroup(name)} }
