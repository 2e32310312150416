package store

import (
	"context"
	"math"
	"strings"
	"time"

	"google.golang.org/protobuf/proto"

	consumablesv1 "coldsection.example/proto/coldsection/consumables/v1"
	"coldsection.example/services/consumables/internal/stock"
	"coldsection.example/services/platform/storage"
)

// The lots that a lot leads to or came from, whatever became of the movements since; union lets no cycle go on.
const (
	forwards = `WITH RECURSIVE family (lot) AS (SELECT name FROM lots WHERE name = $1
		UNION SELECT g.target FROM genealogy g JOIN family f ON g.origin = f.lot) `
	backwards = `WITH RECURSIVE family (lot) AS (SELECT name FROM lots WHERE name = $1
		UNION SELECT g.origin FROM genealogy g JOIN family f ON g.target = f.lot) `
)

// Family reads what a lot leads to (forward) or came from as of an instant; an instant of zero is now. Each of its reads is
// one query, however many lots there are.
type Family struct {
	tx    *storage.Tx
	lot   string
	with  string
	until int64
}

// NewFamily is the family of a lot.
func NewFamily(tx *storage.Tx, lot string, forward bool, asOf time.Time) Family {
	f := Family{tx: tx, lot: lot, with: backwards, until: math.MaxInt64}
	if forward {
		f.with = forwards
	}
	if !asOf.IsZero() {
		f.until = storage.Micros(asOf)
	}
	return f
}

// Edges reads the steps out of and into every lot of the family that had been made by then and were not undone.
func (f Family) Edges(ctx context.Context) ([]stock.Edge, error) {
	var edges []stock.Edge
	for _, side := range []string{"origin", "target"} {
		found, err := storage.Collect(ctx, f.tx, scanEdge, f.with+`SELECT g.target, g.origin, g.movement, g.amount, m.body
			FROM family f JOIN genealogy g ON g.`+side+` = f.lot JOIN movements m ON m.name = g.movement
			WHERE m.effective_time <= $2 ORDER BY g.target, g.origin`, f.lot, f.until)
		if err != nil {
			return nil, err
		}
		for _, e := range found {
			if !e.undone {
				edges = append(edges, e.Edge)
			}
		}
	}
	return distinctEdges(edges), nil
}

type storedEdge struct {
	stock.Edge

	undone bool
}

func scanEdge(row storage.Scanner) (e storedEdge, err error) {
	var body []byte
	if err := row.Scan(&e.Target, &e.Origin, &e.Movement, (*int64)(&e.Amount), &body); err != nil {
		return e, err
	}
	var m consumablesv1.StockMovement
	err = proto.Unmarshal(body, &m)
	e.undone = m.GetReversalMovement() != ""
	return e, err
}

func distinctEdges(edges []stock.Edge) []stock.Edge {
	seen, out := map[stock.Edge]bool{}, edges[:0]
	for _, e := range edges {
		if !seen[e] {
			seen[e] = true
			out = append(out, e)
		}
	}
	return out
}

// Lots reads the family's lots by name, as they are now.
func (f Family) Lots(ctx context.Context) (map[string]*consumablesv1.Lot, error) {
	lots, err := storage.Collect(ctx, f.tx, scanLot, f.with+"SELECT l.body FROM family f JOIN lots l ON l.name = f.lot", f.lot)
	byName := make(map[string]*consumablesv1.Lot, len(lots))
	for _, l := range lots {
		byName[l.GetName()] = l
	}
	return byName, err
}

func scanLot(row storage.Scanner) (*consumablesv1.Lot, error) {
	var body []byte
	if err := row.Scan(&body); err != nil {
		return nil, err
	}
	lot := &consumablesv1.Lot{}
	return lot, proto.Unmarshal(body, lot)
}

// Balances reads where the family's lots were at the instant; places without any are left out.
func (f Family) Balances(ctx context.Context) ([]stock.Posting, error) {
	query, args := "SELECT b.lot, b.location, b.amount FROM family f JOIN balances b ON b.lot = f.lot WHERE b.amount <> 0 ORDER BY 1, 2", []any{f.lot}
	if f.until != math.MaxInt64 { // cross joins keep SQLite from beginning with all movements
		query, args = `SELECT p.lot, p.location, CAST(SUM(p.amount) AS BIGINT) FROM family f CROSS JOIN postings p CROSS JOIN movements m
			WHERE p.lot = f.lot AND m.name = p.movement AND m.effective_time <= $2
			GROUP BY p.lot, p.location HAVING SUM(p.amount) <> 0 ORDER BY 1, 2`, append(args, f.until)
	}
	return storage.Collect(ctx, f.tx, func(row storage.Scanner) (p stock.Posting, err error) {
		err = row.Scan(&p.Lot, &p.Location, (*int64)(&p.Amount))
		return p, err
	}, f.with+query, args...)
}

// Movements reads the family's receipts, issues, mixes, returns and uses that had happened by then, oldest first.
func (f Family) Movements(ctx context.Context) ([]*consumablesv1.StockMovement, error) {
	return storage.Collect(ctx, f.tx, func(row storage.Scanner) (*consumablesv1.StockMovement, error) {
		var body []byte
		if err := row.Scan(&body); err != nil {
			return nil, err
		}
		m := &consumablesv1.StockMovement{}
		return m, proto.Unmarshal(body, m)
	}, f.with+`SELECT m.body FROM family f JOIN movements m ON m.lot = f.lot WHERE m.kind IN ('RECEIVED', 'ISSUED', 'BLENDED', 'CONSUMED')
		AND m.effective_time <= $2 ORDER BY m.create_time, m.name`, f.lot, f.until)
}

// OpenedPacks reads what is left at a place, or anywhere in stores and with jobs when none is named, of the packs that were opened
// of a lot, the first to end first.
func OpenedPacks(ctx context.Context, tx *storage.Tx, lot, location string) ([]stock.Posting, error) {
	opened, err := Lots.Where(ctx, tx, `name IN (SELECT target FROM genealogy WHERE origin = $1)
		ORDER BY CASE WHEN expire_time = 0 THEN 1 ELSE 0 END, expire_time, name`, lot)
	if err != nil {
		return nil, err
	}
	var packs []stock.Posting
	for _, pack := range opened {
		if pack.GetSourceLot() != lot {
			continue // a container that was filled from it, or a mix
		}
		balances, err := Balances(ctx, tx, pack.GetName())
		if err != nil {
			return nil, err
		}
		left := stock.Posting{Lot: pack.GetName(), Location: location}
		for _, b := range balances {
			if b.Location == location || location == "" && (Physical(b.Location) || strings.HasPrefix(b.Location, "workOrders/")) {
				left.Amount += b.Amount
			}
		}
		if left.Amount > 0 {
			packs = append(packs, left)
		}
	}
	return packs, nil
}
