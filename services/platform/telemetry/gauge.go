package telemetry

import (
	"context"

	"go.opentelemetry.io/otel"
	"go.opentelemetry.io/otel/attribute"
	"go.opentelemetry.io/otel/metric"
)

// Gauge reports a number of a part whenever the metrics are read. What can't be read then is left out.
// The returned function ends it.
func Gauge(name, unit, description, part string, read func(context.Context) (int64, error)) (end func(), err error) {
	meter := otel.Meter("coldsection.example/services/platform/telemetry")
	gauge, err := meter.Int64ObservableGauge(name, metric.WithUnit(unit), metric.WithDescription(description))
	if err != nil {
		return nil, err
	}
	labels := metric.WithAttributes(attribute.String("part", part))
	registration, err := meter.RegisterCallback(func(ctx context.Context, o metric.Observer) error {
		value, err := read(ctx)
		if err == nil {
			o.ObserveInt64(gauge, value, labels)
		}
		return err
	}, gauge)
	if err != nil {
		return nil, err
	}
	return func() { _ = registration.Unregister() }, nil
}
