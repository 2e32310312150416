// Package store keeps stock: the resources of the contract, and the ledger with its balances.
package store

import (
	"context"
	"embed"
	"fmt"
	"io/fs"
	"slices"
	"strings"
	"time"

	consumablesv1 "coldsection.example/proto/coldsection/consumables/v1"
	"coldsection.example/services/consumables/internal/stock"
	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/resource"
	"coldsection.example/services/platform/storage"
)

//go:embed migrations/*.sql migrations/sqlite/*.sql migrations/postgres/*.sql
var files embed.FS

// Migrations is the schema.
func Migrations() storage.Migrations {
	sub, err := fs.Sub(files, "migrations")
	if err != nil {
		panic(fmt.Sprintf("store: %v", err)) // the folder is embedded above
	}
	return storage.Portable(sub)
}

// The tables.
var (
	Items               = resource.NewTable[*consumablesv1.Item]("items", "", "kind", "display_name", "part_number")
	Locations           = resource.NewTable[*consumablesv1.Location]("locations", "", "kind", "display_name")
	Lots                = resource.NewTable[*consumablesv1.Lot]("lots", "", "item", "state", "manufacturer_lot", "short_code", "use_by_date", "recipe", "create_time", "expire_time")
	WaterTests          = resource.NewTable[*consumablesv1.WaterTest]("water_tests", "test_time desc", "verdict", "test_time", "meter")
	Movements           = resource.NewTable[*consumablesv1.StockMovement]("movements", "create_time", "kind", "lot", "item", "work_order", "effective_time", "create_time")
	Reservations        = resource.NewTable[*consumablesv1.Reservation]("reservations", "", "work_order", "item", "lot", "state", "need_time")
	ProductionRuns      = resource.NewTable[*consumablesv1.ProductionRun]("production_runs", "start_time desc", "equipment", "item", "verdict", "start_time", "end_time")
	WaterGrades         = resource.NewTable[*consumablesv1.WaterGrade]("water_grades", "")
	WaterGradeRevisions = resource.NewTable[*consumablesv1.WaterGrade]("water_grade_revisions", "")
	Recipes             = resource.NewTable[*consumablesv1.Recipe]("recipes", "", "item", "display_name")
	RecipeRevisions     = resource.NewTable[*consumablesv1.Recipe]("recipe_revisions", "")
	Counts              = resource.NewTable[*consumablesv1.StockCount]("stock_counts", "count_time desc", "lot", "location", "state", "count_time")
)

// Places of the books.
const (
	Supplier        = "locations/supplier"
	Production      = "locations/production"
	MixingLoss      = "locations/mixing-loss"
	Waste           = "locations/waste"
	CountDifference = "locations/count-difference"
)

// Physical reports whether stock at a place is in stores: on a shelf or in a hold area.
func Physical(location string) bool {
	return strings.HasPrefix(location, "locations/") &&
		!slices.Contains([]string{Supplier, Production, MixingLoss, Waste, CountDifference}, location)
}

// Post moves the balances and writes the movement, all in the caller's transaction. Reasons: INSUFFICIENT_STOCK.
func Post(ctx context.Context, tx *storage.Tx, m *consumablesv1.StockMovement, postings []stock.Posting, now time.Time) error {
	if err := Move(ctx, tx, m, postings); err != nil {
		return err
	}
	return Record(ctx, tx, m, postings, now)
}

// Move changes the balances by a movement that Record writes in the same transaction. Reasons: INSUFFICIENT_STOCK.
func Move(ctx context.Context, tx *storage.Tx, m *consumablesv1.StockMovement, postings []stock.Posting) error {
	if !stock.Balanced(postings) {
		return fmt.Errorf("the postings of %s do not sum to zero", m.GetName())
	}
	for _, p := range net(postings) {
		if err := move(ctx, tx, p, m.GetQuantity().GetUnitCode()); err != nil {
			return err
		}
	}
	return nil
}

// Record writes a movement with its postings, once and for ever.
func Record(ctx context.Context, tx *storage.Tx, m *consumablesv1.StockMovement, postings []stock.Posting, now time.Time) error {
	if err := Movements.InsertLater(ctx, tx, m, now); err != nil {
		return err
	}
	var rows strings.Builder
	args := make([]any, 0, 5*len(postings))
	for i, p := range postings {
		n := len(args)
		fmt.Fprintf(&rows, ", ($%d, $%d, $%d, $%d, $%d)", n+1, n+2, n+3, n+4, n+5)
		args = append(args, m.GetName(), int64(i+1), p.Lot, p.Location, int64(p.Amount))
	}
	return tx.QueueEach(ctx, nil, "INSERT INTO postings (movement, line, lot, location, amount) VALUES "+rows.String()[2:], args...)
}

// net sums postings place by place, so that only what a movement leaves behind can be refused, in one order, so that two
// movements never wait for each other.
func net(postings []stock.Posting) []stock.Posting {
	sums := map[stock.Posting]stock.Micro{}
	for _, p := range postings {
		sums[stock.Posting{Lot: p.Lot, Location: p.Location}] += p.Amount
	}
	out := make([]stock.Posting, 0, len(sums))
	for p, sum := range sums {
		if sum != 0 {
			out = append(out, stock.Posting{Lot: p.Lot, Location: p.Location, Amount: sum})
		}
	}
	slices.SortFunc(out, func(a, b stock.Posting) int {
		return strings.Compare(a.Lot+" "+a.Location, b.Lot+" "+b.Location)
	})
	return out
}

// overdrawn are the places that may owe: what comes in, is made, or is found by a count.
var overdrawn = []string{Supplier, Production, CountDifference}

const (
	changeBalance = "UPDATE balances SET amount = amount + $1 WHERE lot = $2 AND location = $3"
	raiseBalance  = "INSERT INTO balances (amount, lot, location) VALUES ($1, $2, $3) ON CONFLICT (lot, location) DO UPDATE SET amount = balances.amount + excluded.amount"
)

// move changes a balance; one that would fall below zero is refused by the table's own check, and so is one that is not there.
func move(ctx context.Context, tx *storage.Tx, p stock.Posting, unitCode string) error {
	args := []any{int64(p.Amount), p.Lot, p.Location}
	if p.Amount < 0 && !slices.Contains(overdrawn, p.Location) {
		return tx.QueueEach(ctx, func(changed int64, err error) error {
			if storage.IsCheck(err) || err == nil && changed == 0 {
				return short(p, unitCode)
			}
			return err
		}, changeBalance, args...)
	}
	return tx.QueueEach(ctx, nil, raiseBalance, args...)
}

func short(p stock.Posting, unitCode string) error {
	return fault.Precondition("INSUFFICIENT_STOCK", "There is less than %s %s of %s at %s. Take less, or another lot.", (-p.Amount).Text(), unitCode, p.Lot, p.Location).
		With("lot", p.Lot).With("location", p.Location)
}

// Balances reads where a lot is; places without any of it are left out.
func Balances(ctx context.Context, tx *storage.Tx, lot string) ([]stock.Posting, error) {
	return storage.Collect(ctx, tx, scanBalance, balancesOf, lot)
}

const balancesOf = "SELECT lot, location, amount FROM balances WHERE lot = $1 AND amount <> 0 ORDER BY location"

func scanBalance(row storage.Scanner) (p stock.Posting, err error) {
	err = row.Scan(&p.Lot, &p.Location, (*int64)(&p.Amount))
	return p, err
}

// BalancesOfItem reads where the usable and held lots of an item are, by lot.
func BalancesOfItem(ctx context.Context, tx *storage.Tx, item string) (map[string][]stock.Posting, error) {
	all, err := storage.Collect(ctx, tx, scanBalance, `SELECT b.lot, b.location, b.amount FROM lots l JOIN balances b ON b.lot = l.name
		WHERE l.item = $1 AND l.state IN ('USABLE', 'HELD') AND b.amount <> 0 ORDER BY b.lot, b.location`, item)
	byLot := map[string][]stock.Posting{}
	for _, p := range all {
		byLot[p.Lot] = append(byLot[p.Lot], p)
	}
	return byLot, err
}

// OnHand is how much of an item is in stores, usable or not.
func OnHand(ctx context.Context, tx *storage.Tx, item string) (stock.Micro, error) {
	places, err := storage.Collect(ctx, tx, func(row storage.Scanner) (p stock.Posting, err error) {
		err = row.Scan(&p.Location, (*int64)(&p.Amount))
		return p, err
	}, `SELECT b.location, CAST(SUM(b.amount) AS BIGINT) FROM lots l JOIN balances b ON b.lot = l.name
		WHERE l.item = $1 AND b.amount <> 0 GROUP BY b.location`, item)
	var sum stock.Micro
	for _, p := range places {
		if Physical(p.Location) {
			sum += p.Amount
		}
	}
	return sum, err
}

// Balance reads how much of a lot is at a place.
func Balance(ctx context.Context, tx *storage.Tx, lot, location string) (stock.Micro, error) {
	var amount int64
	err := tx.QueryRow(ctx, "SELECT COALESCE(SUM(amount), 0) FROM balances WHERE lot = $1 AND location = $2", lot, location).Scan(&amount)
	return stock.Micro(amount), err
}

// BalanceAt is how much of a lot was at a place at an instant, by when movements happened and not by when they were recorded.
func BalanceAt(ctx context.Context, tx *storage.Tx, lot, location string, at time.Time) (stock.Micro, error) {
	var amount int64
	err := tx.QueryRow(ctx, `SELECT COALESCE(SUM(p.amount), 0) FROM postings p JOIN movements m ON m.name = p.movement
		WHERE p.lot = $1 AND p.location = $2 AND m.effective_time <= $3`, lot, location, storage.Micros(at)).Scan(&amount)
	return stock.Micro(amount), err
}

// LowestFrom is the least that a place had of a lot at an instant or at any time after it, and when first, by when movements happened and not by
// when they were recorded.
func LowestFrom(ctx context.Context, tx *storage.Tx, lot, location string, at time.Time) (stock.Micro, time.Time, error) {
	type change struct{ at, amount int64 }
	changes, err := storage.Collect(ctx, tx, func(row storage.Scanner) (c change, err error) {
		err = row.Scan(&c.at, &c.amount)
		return c, err
	}, `SELECT m.effective_time, CAST(SUM(p.amount) AS BIGINT) FROM postings p JOIN movements m ON m.name = p.movement
		WHERE p.lot = $1 AND p.location = $2 GROUP BY m.effective_time ORDER BY m.effective_time`, lot, location)
	began := storage.Micros(at)
	var had, lowest int64
	when := began
	for _, c := range changes {
		had += c.amount
		if c.at <= began {
			lowest = had
		} else if had < lowest {
			lowest, when = had, c.at
		}
	}
	return stock.Micro(lowest), time.UnixMicro(when).UTC(), err
}

// NextLotNumber counts lots up, one caller after the other until its transaction ends, so that no number is given twice.
func NextLotNumber(ctx context.Context, tx *storage.Tx) (n int64, err error) {
	// A process of the version before counts rows; while both run, the higher number leads.
	err = tx.QueryRow(ctx, `UPDATE lot_numbers SET last = 1 + CASE WHEN last > (SELECT COUNT(*) FROM lots) THEN last
		ELSE (SELECT COUNT(*) FROM lots) END WHERE name = 'lots' RETURNING last`).Scan(&n)
	return n, err
}

// AddEdge records that origin went into target.
func AddEdge(ctx context.Context, tx *storage.Tx, e stock.Edge) error {
	_, err := tx.Exec(ctx, "INSERT INTO genealogy (target, origin, movement, amount) VALUES ($1, $2, $3, $4)", e.Target, e.Origin, e.Movement, int64(e.Amount))
	return err
}

// Edges reads the steps out of a lot (forward) or into it.
func Edges(ctx context.Context, tx *storage.Tx, lot string, forward bool) ([]stock.Edge, error) {
	column := "target"
	if forward {
		column = "origin"
	}
	return storage.Collect(ctx, tx, func(row storage.Scanner) (e stock.Edge, err error) {
		err = row.Scan(&e.Target, &e.Origin, &e.Movement, (*int64)(&e.Amount))
		return e, err
	}, "SELECT target, origin, movement, amount FROM genealogy WHERE "+column+" = $1 ORDER BY target, origin", lot)
}
