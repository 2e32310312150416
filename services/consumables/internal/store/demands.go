package store

import (
	"context"
	"fmt"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	commonv1 "coldsection.example/proto/coldsection/common/v1"
	consumablesv1 "coldsection.example/proto/coldsection/consumables/v1"
	"coldsection.example/services/consumables/internal/stock"
	"coldsection.example/services/platform/listing"
	"coldsection.example/services/platform/storage"
)

// Demand is what a work order needs of an item, in ledger units.
type Demand struct {
	WorkOrder, Item, Unit    string
	Needed, Reserved, Issued stock.Micro
	Need                     time.Time
	Closed                   bool
	GivenUp                  stock.Micro // nobody claims so much by itself: a claim on it was given up by hand, or it was brought back
	Work                     Work
}

// Work is what an order is, as it was scheduled.
type Work struct {
	Kind        string // such as RECOVERY_WASH; empty while the order was not scheduled
	EngineModel string // engineModels/…; empty while nobody gave the engine one
	TaskCard    string // taskCards/…; empty while nobody said
}

// Missing is what is neither claimed nor issued.
func (d Demand) Missing() stock.Micro { return max(0, d.Needed-d.Reserved-d.Issued) }

// Wanting is what is missing and waits for stock to come in.
func (d Demand) Wanting() stock.Micro { return max(0, d.Missing()-d.GivenUp) }

// State is how far the demand is met.
func (d Demand) State() consumablesv1.StockDemand_State {
	switch {
	case d.Closed:
		return consumablesv1.StockDemand_CLOSED
	case d.Issued >= d.Needed:
		return consumablesv1.StockDemand_ISSUED
	case d.Missing() == 0:
		return consumablesv1.StockDemand_RESERVED
	default:
		return consumablesv1.StockDemand_OPEN
	}
}

// Proto is the demand as the API shows it.
func (d Demand) Proto() *consumablesv1.StockDemand {
	return &consumablesv1.StockDemand{
		WorkOrder: d.WorkOrder, Item: d.Item, Needed: Quantity(d.Needed, d.Unit), Reserved: Quantity(d.Reserved, d.Unit),
		Issued: Quantity(d.Issued, d.Unit), Shortfall: Quantity(d.Missing(), d.Unit), NeedTime: timestamppb.New(d.Need), State: d.State(),
		Waiting: Quantity(d.Wanting(), d.Unit),
	}
}

// Quantity is a ledger amount as the API shows it.
func Quantity(m stock.Micro, unit string) *commonv1.Quantity {
	return &commonv1.Quantity{Value: m.Text(), UnitCode: unit}
}

const demandColumns = "work_order, item, unit_code, needed, reserved, issued, need_time, state, work_kind, engine_model, task_card, given_up"

func scanDemand(row storage.Scanner) (Demand, error) {
	var d Demand
	var at int64
	var state string
	err := row.Scan(&d.WorkOrder, &d.Item, &d.Unit, (*int64)(&d.Needed), (*int64)(&d.Reserved), (*int64)(&d.Issued), &at, &state, &d.Work.Kind, &d.Work.EngineModel,
		&d.Work.TaskCard, (*int64)(&d.GivenUp))
	d.Need, d.Closed = storage.FromMicros(at), state == consumablesv1.StockDemand_CLOSED.String()
	return d, err
}

const changeDemand = `UPDATE demands SET needed = $2, reserved = $3, issued = $4, need_time = $5, state = $6, work_kind = $7, engine_model = $8,
	task_card = $9, given_up = $10 WHERE name = $1`

func (d Demand) changed() []any {
	return []any{
		d.WorkOrder + " " + d.Item, int64(d.Needed), int64(d.Reserved), int64(d.Issued), storage.Micros(d.Need), d.State().String(), d.Work.Kind,
		d.Work.EngineModel, d.Work.TaskCard, int64(d.GivenUp),
	}
}

// SaveDemand writes a demand. Most are there already, and to change a row costs half of what it costs to find out so by adding it.
func SaveDemand(ctx context.Context, tx *storage.Tx, d Demand) error {
	args := d.changed()
	n, err := tx.Exec(ctx, changeDemand, args...)
	if err != nil || n > 0 {
		return err
	}
	_, err = tx.Exec(ctx, `INSERT INTO demands (name, needed, reserved, issued, need_time, state, work_kind, engine_model, task_card, given_up, work_order, item, unit_code)
		VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11, $12, $13) ON CONFLICT (name) DO UPDATE SET needed = excluded.needed, reserved = excluded.reserved,
		issued = excluded.issued, need_time = excluded.need_time, state = excluded.state, work_kind = excluded.work_kind,
		engine_model = excluded.engine_model, task_card = excluded.task_card, given_up = excluded.given_up`, append(args, d.WorkOrder, d.Item, d.Unit)...)
	return err
}

// ChangeDemand writes a demand that DemandsOf or LockLine read in the same transaction; nobody waits for it.
func ChangeDemand(ctx context.Context, tx *storage.Tx, d Demand) error {
	return tx.QueueEach(ctx, func(changed int64, err error) error {
		if err == nil && changed != 1 {
			return fmt.Errorf("the demand of %s for %s is gone", d.WorkOrder, d.Item)
		}
		return err
	}, changeDemand, d.changed()...)
}

// DemandsOf reads what an order needs, in order to change it.
func DemandsOf(ctx context.Context, tx *storage.Tx, order string) ([]Demand, error) {
	return storage.Collect(ctx, tx, scanDemand, demandsOf+tx.ForUpdate(), order)
}

// AllDemands reads what an order needs or needed, to be told of.
func AllDemands(ctx context.Context, tx *storage.Tx, order string) ([]Demand, error) {
	return storage.Collect(ctx, tx, scanDemand, demandsOf, order)
}

const demandsOf = "SELECT " + demandColumns + " FROM demands WHERE work_order = $1 ORDER BY name"

// ShortDemands reads what of an item is missing and waits for stock, needed at an instant or later, the first that is needed first.
func ShortDemands(ctx context.Context, tx *storage.Tx, item string, since time.Time) ([]Demand, error) {
	return storage.Collect(ctx, tx, scanDemand, "SELECT "+demandColumns+` FROM demands WHERE item = $1 AND state = 'OPEN' AND need_time > $2
		AND needed - reserved - issued > given_up ORDER BY need_time, name`, item, storage.Micros(since))
}

// ListDemands answers ListStockDemands.
func ListDemands(ctx context.Context, db *storage.DB, l *listing.Lister, req *consumablesv1.ListStockDemandsRequest) (*consumablesv1.ListStockDemandsResponse, error) {
	q, err := l.Parse(ctx, req, listing.Collection{Key: "name", Order: "need_time", Fields: listing.Fields{
		"work_order": {Column: "work_order"}, "item": {Column: "item"}, "need_time": {Column: "need_time", Kind: listing.Time},
		"state": {Column: "state", Kind: listing.Enum, Values: []string{"OPEN", "RESERVED", "ISSUED", "CLOSED"}},
	}})
	if err != nil {
		return nil, err
	}
	resp := &consumablesv1.ListStockDemandsResponse{}
	err = db.View(ctx, func(ctx context.Context, tx *storage.Tx) error {
		page, next, err := listing.Page(ctx, tx, q, demandColumns, "demands", scanDemand)
		resp.StockDemands, resp.NextPageToken = nil, next
		for _, d := range page {
			resp.StockDemands = append(resp.StockDemands, d.Proto())
		}
		return err
	})
	return resp, err
}
