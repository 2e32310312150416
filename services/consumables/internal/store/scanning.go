package store

import (
	"context"

	"coldsection.example/services/platform/storage"
)

// OpenDemands reads what an order needs and did not end, without meaning to change it.
func OpenDemands(ctx context.Context, tx *storage.Tx, order string) ([]Demand, error) {
	return storage.Collect(ctx, tx, scanDemand,
		"SELECT "+demandColumns+" FROM demands WHERE work_order = $1 AND state <> 'CLOSED' ORDER BY name", order)
}
