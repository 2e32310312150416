package store

import (
	"context"
	"time"

	"google.golang.org/protobuf/proto"

	consumablesv1 "coldsection.example/proto/coldsection/consumables/v1"
	"coldsection.example/services/consumables/internal/stock"
	"coldsection.example/services/platform/storage"
)

// DailyUse is what was issued of an item less what came back, in base units, on each of the days before an instant, the
// oldest first. A day on which more came back than went out counts as none; what was reversed never happened.
func DailyUse(ctx context.Context, tx *storage.Tx, item string, now time.Time, days int) ([]float64, error) {
	start := now.AddDate(0, 0, -days)
	moves, err := storage.Collect(ctx, tx, scanMovement, `SELECT body FROM movements WHERE item = $1 AND kind IN ('ISSUED', 'RETURNED')
		AND effective_time >= $2 AND effective_time < $3`, item, storage.Micros(start), storage.Micros(now))
	if err != nil {
		return nil, err
	}
	sums := make([]stock.Micro, days)
	for _, m := range moves {
		day := int(m.GetEffectiveTime().AsTime().Sub(start).Hours() / 24)
		if m.GetReversalMovement() != "" || day < 0 || day >= days {
			continue
		}
		amount, err := stock.FromQuantity(m.GetQuantity().GetValue(), m.GetQuantity().GetUnitCode(), m.GetQuantity().GetUnitCode())
		if err != nil {
			return nil, err
		}
		if m.GetKind() == consumablesv1.StockMovement_RETURNED {
			amount = -amount
		}
		sums[day] += amount
	}
	series := make([]float64, days)
	for i, s := range sums {
		series[i] = float64(max(s, 0)) / stock.Scale
	}
	return series, nil
}

func scanMovement(row storage.Scanner) (*consumablesv1.StockMovement, error) {
	var body []byte
	if err := row.Scan(&body); err != nil {
		return nil, err
	}
	m := &consumablesv1.StockMovement{}
	return m, proto.Unmarshal(body, m)
}

// FirstMoved is when a lot came in or was made, by when that happened; zero time when nothing of it was ever booked.
func FirstMoved(ctx context.Context, tx *storage.Tx, lot string) (time.Time, error) {
	var first int64
	err := tx.QueryRow(ctx, "SELECT COALESCE(MIN(m.effective_time), 0) FROM postings p JOIN movements m ON m.name = p.movement WHERE p.lot = $1", lot).Scan(&first)
	if first == 0 {
		return time.Time{}, err
	}
	return time.UnixMicro(first), err
}

// Stood are the places that anything of a lot came to, the newest first.
func Stood(ctx context.Context, tx *storage.Tx, lot string) ([]string, error) {
	return storage.Collect(ctx, tx, func(row storage.Scanner) (place string, err error) {
		err = row.Scan(&place)
		return place, err
	}, `SELECT p.location FROM postings p JOIN movements m ON m.name = p.movement WHERE p.lot = $1 AND p.amount > 0
		ORDER BY m.create_time DESC, m.name DESC, p.line DESC`, lot)
}

// OpenDemand is what orders that have not ended have claimed of an item, and what they miss.
func OpenDemand(ctx context.Context, tx *storage.Tx, item string) (promised, missing stock.Micro, err error) {
	demands, err := storage.Collect(ctx, tx, scanDemand, "SELECT "+demandColumns+" FROM demands WHERE item = $1 AND state <> 'CLOSED'", item)
	for _, d := range demands {
		promised += d.Reserved
		missing += d.Missing()
	}
	return promised, missing, err
}

// MovementsBetween reads the movements that happened from one instant up to another, in the order in which they happened and
// then were recorded, at most so many.
func MovementsBetween(ctx context.Context, tx *storage.Tx, start, end int64, limit int) ([]*consumablesv1.StockMovement, error) {
	return storage.Collect(ctx, tx, scanMovement, `SELECT body FROM movements WHERE effective_time >= $1 AND effective_time < $2
		ORDER BY effective_time, create_time, name LIMIT $3`, start, end, limit)
}

// AllBalancesBefore is what was where before an instant, lot by lot.
func AllBalancesBefore(ctx context.Context, tx *storage.Tx, start int64) ([]stock.Posting, error) {
	return storage.Collect(ctx, tx, func(row storage.Scanner) (p stock.Posting, err error) {
		err = row.Scan(&p.Lot, &p.Location, (*int64)(&p.Amount))
		return p, err
	}, `SELECT p.lot, p.location, CAST(SUM(p.amount) AS BIGINT) FROM postings p JOIN movements m ON m.name = p.movement
		WHERE m.effective_time < $1 GROUP BY p.lot, p.location HAVING SUM(p.amount) <> 0 ORDER BY 1, 2`, start)
}
