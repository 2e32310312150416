package consumables

import (
	"context"

	"coldsection.example/services/consumables/internal/store"
	"coldsection.example/services/platform/storage"
	"coldsection.example/services/platform/telemetry"
)

// Measures are what the metrics show of stock.
func (s *Service) Measures() []telemetry.Measure {
	return []telemetry.Measure{
		{
			Name: "coldsection.stock.lots.near_end", Unit: "{lot}", Label: "days",
			Description: "Usable lots whose life ends within so many days.", Read: s.reading(s.app.NearEnd),
		},
		{
			Name: "coldsection.stock.shortages", Unit: "{demand}", Description: "Demands of work orders that are neither claimed nor issued in full.",
			Read: s.reading(func(ctx context.Context, tx *storage.Tx) (map[string]int64, error) {
				n, err := store.Shortages(ctx, tx)
				return map[string]int64{"": n}, err
			}),
		},
		{
			Name: "coldsection.stock.item.low", Unit: "{item}", Label: "item", Description: "1 for each item at or below its reorder point.",
			Read: s.reading(store.LowItems),
		},
	}
}

// reading reads on one snapshot.
func (s *Service) reading(read func(context.Context, *storage.Tx) (map[string]int64, error)) func(context.Context) (map[string]int64, error) {
	return func(ctx context.Context) (values map[string]int64, err error) {
		err = s.db.View(ctx, func(ctx context.Context, tx *storage.Tx) (err error) {
			values, err = read(ctx, tx)
			return err
		})
		return values, err
	}
}
