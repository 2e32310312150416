package store

import (
	"context"
	"maps"
	"slices"

	consumablesv1 "coldsection.example/proto/coldsection/consumables/v1"
	"coldsection.example/services/platform/storage"
)

// IndexItem makes an item that was just saved findable by its ids in other systems.
func IndexItem(ctx context.Context, tx *storage.Tx, item string, ids map[string]string) error {
	if _, err := tx.Exec(ctx, "DELETE FROM item_ids WHERE item = $1", item); err != nil {
		return err
	}
	for _, system := range append([]string{""}, slices.Sorted(maps.Keys(ids))...) {
		if _, err := tx.Exec(ctx, `INSERT INTO item_ids (item, system, external_id, version)
			SELECT name, CAST($2 AS TEXT), CAST($3 AS TEXT), version FROM items WHERE name = $1 ON CONFLICT (item, system) DO NOTHING`,
			item, system, ids[system]); err != nil {
			return err
		}
	}
	return nil
}

// ItemsByID reads the items that have an id in another system, as they were indexed last; the caller looks whether they still do.
func ItemsByID(ctx context.Context, tx *storage.Tx, system, id string) ([]*consumablesv1.Item, error) {
	return Items.Where(ctx, tx, "name IN (SELECT item FROM item_ids WHERE system = $1 AND external_id = $2) ORDER BY name", system, id)
}

// UnindexedItems reads items that were saved without IndexItem, at most so many.
func UnindexedItems(ctx context.Context, tx *storage.Tx, most int) ([]*consumablesv1.Item, error) {
	return Items.Where(ctx, tx, `NOT EXISTS (SELECT 1 FROM item_ids x WHERE x.item = items.name AND x.system = '' AND x.version = items.version)
		ORDER BY name LIMIT $1`, most)
}
