package store

import (
	"context"

	"google.golang.org/protobuf/proto"

	consumablesv1 "coldsection.example/proto/coldsection/consumables/v1"
	"coldsection.example/services/consumables/internal/stock"
	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/owners"
	"coldsection.example/services/platform/resource"
	"coldsection.example/services/platform/storage"
)

// Line is what an issue of a lot to an order is decided on.
type Line struct {
	Lot      *consumablesv1.Lot
	Item     *consumablesv1.Item
	Balances []stock.Posting              // where the lot is
	Claims   []*consumablesv1.Reservation // what the order holds of anything, by name, and what others hold of the lot
	Demands  []Demand                     // what the order needs
	Sooner   []*consumablesv1.Lot         // what Sooner reads of the lot
}

// LockLine reads what an issue is decided on with one wait: the lot and the order's demands in order to change them. Nobody changes
// the lot's balances without its lock or after it. Reason: NOT_FOUND.
func LockLine(ctx context.Context, tx *storage.Tx, lot, order string) (l Line, err error) {
	if len(owners.Limit(ctx)) > 0 { // lots belong to no owner, so that who is limited to owners has none
		_, err := Lots.Lock(ctx, tx, lot)
		return l, err
	}
	lock := tx.ForUpdate()
	if lock != "" {
		lock += " OF l"
	}
	if err := tx.AskEach(ctx, func(rows storage.Rows) error { return scanLocked(rows, lot, &l) },
		"SELECT l.body, i.body FROM lots l JOIN items i ON i.name = l.item WHERE l.name = $1"+lock, lot); err != nil {
		return l, err
	}
	if err := storage.Gather(ctx, tx, &l.Demands, scanDemand, demandsOf+tx.ForUpdate(), order); err != nil {
		return l, err
	}
	if err := storage.Gather(ctx, tx, &l.Balances, scanBalance, balancesOf, lot); err != nil {
		return l, err
	}
	err = l.gather(ctx, tx, lot, order)
	return l, err
}

// gather reads the claims and the lots beside a line, and waits for it all.
func (l *Line) gather(ctx context.Context, tx *storage.Tx, lot, order string) error {
	var others []*consumablesv1.Reservation
	if err := Reservations.Gather(ctx, tx, &l.Claims, "work_order = $1 AND state = 'CLAIMED' ORDER BY name", order); err != nil {
		return err
	}
	if err := Reservations.Gather(ctx, tx, &others, "lot = $1 AND state = 'CLAIMED' AND work_order <> $2", lot, order); err != nil {
		return err
	}
	if err := storage.Gather(ctx, tx, &l.Sooner, resource.Scan[*consumablesv1.Lot], soonerOf, lot); err != nil {
		return err
	}
	if err := tx.Flush(ctx); err != nil {
		return err
	}
	Lots.Held(tx, l.Lot)
	Reservations.Held(tx, l.Claims...)
	l.Claims = append(l.Claims, others...)
	return nil
}

const soonerOf = `SELECT body FROM lots WHERE item = (SELECT l.item FROM lots l WHERE l.name = $1) AND state IN ('USABLE', 'HELD') AND expire_time <
	(SELECT CASE l.expire_time WHEN 0 THEN 9223372036854775807 ELSE l.expire_time END FROM lots l WHERE l.name = $1) ORDER BY name`

// Sooner reads the lots of the same item whose life ends before a lot's, and those whose end is not in its column; of a lot without
// an end all of the item's, itself included.
func Sooner(ctx context.Context, tx *storage.Tx, lot string) ([]*consumablesv1.Lot, error) {
	return storage.Collect(ctx, tx, resource.Scan[*consumablesv1.Lot], soonerOf, lot)
}

func scanLocked(rows storage.Rows, name string, l *Line) error {
	if !rows.Next() {
		if err := rows.Err(); err != nil {
			return err
		}
		return fault.Missing(name)
	}
	var lot, item []byte
	if err := rows.Scan(&lot, &item); err != nil {
		return err
	}
	l.Lot, l.Item = &consumablesv1.Lot{}, &consumablesv1.Item{}
	if err := proto.Unmarshal(lot, l.Lot); err != nil {
		return err
	}
	return proto.Unmarshal(item, l.Item)
}
