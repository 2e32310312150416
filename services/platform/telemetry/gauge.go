package telemetry

import (
	"context"

	"go.opentelemetry.io/otel"
	"go.opentelemetry.io/otel/attribute"
	"go.opentelemetry.io/otel/metric"
)

// Measure is what a part shows of itself whenever the metrics are read: one number for each value of a label.
type Measure struct {
	Name, Unit, Description string
	Label                   string // what the numbers are told apart by, such as "item"; empty where there is one, under ""
	Read                    func(context.Context) (map[string]int64, error)
}

// Gauge reports a number of a part whenever the metrics are read. What can't be read then is left out.
// The returned function ends it.
func Gauge(name, unit, description, part string, read func(context.Context) (int64, error)) (end func(), err error) {
	return Gauges(part, Measure{Name: name, Unit: unit, Description: description, Read: func(ctx context.Context) (map[string]int64, error) {
		value, err := read(ctx)
		return map[string]int64{"": value}, err
	}})
}

// Gauges reports the numbers of a measure of a part as Gauge does.
func Gauges(part string, m Measure) (end func(), err error) {
	meter := otel.Meter("coldsection.example/services/platform/telemetry")
	gauge, err := meter.Int64ObservableGauge(m.Name, metric.WithUnit(m.Unit), metric.WithDescription(m.Description))
	if err != nil {
		return nil, err
	}
	registration, err := meter.RegisterCallback(func(ctx context.Context, o metric.Observer) error {
		values, err := m.Read(ctx)
		if err != nil {
			return err
		}
		for label, value := range values {
			labels := []attribute.KeyValue{attribute.String("part", part)}
			if m.Label != "" {
				labels = append(labels, attribute.String(m.Label, label))
			}
			o.ObserveInt64(gauge, value, metric.WithAttributes(labels...))
		}
		return nil
	}, gauge)
	if err != nil {
		return nil, err
	}
	return func() { _ = registration.Unregister() }, nil
}
