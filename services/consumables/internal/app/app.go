// Package app holds the use cases of the stock service, one file each. They run in one transaction with the facts that
// they publish, and know nothing of gRPC.
package app

import (
	"context"
	"strings"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	compliancev1 "coldsection.example/proto/coldsection/compliance/v1"
	consumablesv1 "coldsection.example/proto/coldsection/consumables/v1"
	"coldsection.example/services/consumables/internal/stock"
	"coldsection.example/services/consumables/internal/store"
	"coldsection.example/services/platform/auth"
	"coldsection.example/services/platform/clock"
	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/ids"
	"coldsection.example/services/platform/listing"
	"coldsection.example/services/platform/outbox"
	"coldsection.example/services/platform/storage"
)

// Gates asks compliance about tools at the moment of use.
type Gates interface {
	CheckGates(ctx context.Context, req *compliancev1.CheckGatesRequest) (*compliancev1.CheckGatesResponse, error)
}

// App is the stock service's use cases.
type App struct {
	DB     *storage.DB
	Clock  clock.Clock
	IDs    ids.Source
	Lister *listing.Lister
	Gates  Gates
	Keys   *auth.Keys // checks proofs of who signs
}

const source = "consumables"

// tx is one running use case: the transaction, the instant and the caller.
type unit struct {
	*storage.Tx

	app    *App
	now    time.Time
	caller auth.Identity
	// known are balances that were read after their lot was locked, lot by lot; nil where nobody keeps them.
	known map[string][]stock.Posting
	// imported are the rows of opening stock that earlier imports booked, item by item; nil outside of an import.
	imported map[string][]store.ImportedRow
	// stated are the lines in which this import first stated something of opening stock, by what they say; nil outside of an import.
	stated map[string]int
}

func (a *App) unit(ctx context.Context, tx *storage.Tx) unit {
	id, _ := auth.FromContext(ctx)
	return unit{Tx: tx, app: a, now: a.Clock.Now(), caller: id}
}

func (u unit) publish(ctx context.Context, typ, subject string, data proto.Message) error {
	return outbox.Append(ctx, u.Tx, outbox.New(u.app.IDs.New(), u.now, source, typ, subject, data))
}

// itemFact tells that an item was created or updated.
func (u unit) itemFact(ctx context.Context, verb string, item *consumablesv1.Item) error {
	return u.publish(ctx, "coldsection.stock.item."+verb+".v1", item.GetName(), &consumablesv1.StockRecordChanged{
		Record: item.GetName(), Item: item.GetName(), State: item.GetKind().String(),
	})
}

// claimFact tells that stock was claimed or a claim released by hand.
func (u unit) claimFact(ctx context.Context, verb string, c *consumablesv1.Reservation) error {
	return u.publish(ctx, "coldsection.stock.reservation."+verb+".v1", c.GetName(), &consumablesv1.StockRecordChanged{
		Record: c.GetName(), Item: c.GetItem(), Lot: c.GetLot(), WorkOrder: c.GetWorkOrder(), State: c.GetState().String(), Quantity: c.GetQuantity(),
	})
}

// countFact tells that a count was recorded or its difference approved. What the ledger expected stays out of it, so that the next count
// is blind too.
func (u unit) countFact(ctx context.Context, verb string, c *consumablesv1.StockCount) error {
	return u.publish(ctx, "coldsection.stock.count."+verb+".v1", c.GetName(), &consumablesv1.StockRecordChanged{
		Record: c.GetName(), Lot: c.GetLot(), State: c.GetState().String(), Quantity: c.GetCounted(),
	})
}

// newName is the collection with the wanted id, or with a new one.
func (a *App) newName(collection, id string) string {
	if id == "" {
		id = a.IDs.New()
	}
	return collection + "/" + id
}

// itemOf reads the item of a lot.
func (u unit) itemOf(ctx context.Context, lot *consumablesv1.Lot) (*consumablesv1.Item, error) {
	return store.Items.Get(ctx, u.Tx, lot.GetItem())
}

// zoneOf is the zone in which days are counted where the lot stands; UTC while it stands nowhere.
func (u unit) zoneOf(ctx context.Context, location string) (*time.Location, error) {
	if !store.Physical(location) {
		return time.UTC, nil
	}
	place, err := store.Locations.Get(ctx, u.Tx, location)
	if err != nil {
		return nil, err
	}
	zone, err := time.LoadLocation(place.GetTimeZone())
	if err != nil {
		return nil, fault.Invalid("location.time_zone", "TIME_ZONE_UNKNOWN", "%q is not an IANA time zone. Give one, such as Europe/Oslo.", place.GetTimeZone())
	}
	return zone, nil
}

// zoneOfLot is zoneOf where most of a lot stands or, of what is with jobs only, of its home in stores: who washes an engine reads the same
// clock as stores do.
func (u unit) zoneOfLot(ctx context.Context, lot *consumablesv1.Lot, location string) (*time.Location, error) {
	if !store.Physical(location) {
		home, err := u.homeOf(ctx, lot)
		if err != nil {
			return nil, err
		}
		location = home
	}
	return u.zoneOf(ctx, location)
}

// Beginnings of the names of what stock goes to.
const (
	orders  = "workOrders/"
	engines = "engines/"
)

// isOrder refuses what is no work order, so that no place of the books can be used as one. Reason: WORK_ORDER_UNKNOWN.
func isOrder(name string) error {
	if strings.HasPrefix(name, orders) {
		return nil
	}
	return fault.Invalid("work_order", "WORK_ORDER_UNKNOWN", "%.80q is not a work order. Give its name, workOrders/ and its id.", name)
}

// happened is when something took place: as given, or now. Reason: TIME_IN_FUTURE.
func (u unit) happened(field string, given *timestamppb.Timestamp) (*timestamppb.Timestamp, error) {
	if given == nil {
		return timestamppb.New(u.now), nil
	}
	if given.AsTime().After(u.now.Add(time.Minute)) {
		return nil, fault.Invalid(field, "TIME_IN_FUTURE", "%s lies in the future. Correct the time, or leave it out for now.", given.AsTime().Format(time.RFC3339))
	}
	return given, nil
}

// happenedTo is when something was done with a lot, which was not before it came in or was made. Reasons: TIME_IN_FUTURE, TIME_BEFORE_LOT.
func (u unit) happenedTo(ctx context.Context, lot *consumablesv1.Lot, field string, given *timestamppb.Timestamp) (*timestamppb.Timestamp, error) {
	at, err := u.happened(field, given)
	if err != nil || !at.AsTime().Before(lot.GetCreateTime().AsTime()) {
		return at, err
	}
	began, err := store.FirstMoved(ctx, u.Tx, lot.GetName()) // what was made or opened may have been recorded later
	if err == nil && at.AsTime().Before(began) {
		err = tooEarly(field, lot.GetName(), at.AsTime(), began)
	}
	return at, err
}

func tooEarly(field, lot string, at, began time.Time) error {
	return fault.Invalid(field, "TIME_BEFORE_LOT", "%s lies before lot %s came in or was made (%s). Correct the time, or the lot.",
		at.UTC().Format(time.RFC3339), lot, began.UTC().Format(time.RFC3339)).With("lot", lot)
}

// movement starts a movement of a lot.
func (u unit) movement(kind consumablesv1.StockMovement_Kind, lot *consumablesv1.Lot, amount stock.Micro, base string) *consumablesv1.StockMovement {
	return &consumablesv1.StockMovement{
		Name: u.app.newName("stockMovements", ""), Kind: kind, Lot: lot.GetName(), Item: lot.GetItem(), Quantity: store.Quantity(amount, base),
		Actor: u.caller.Account, Person: u.caller.Person, EffectiveTime: timestamppb.New(u.now),
	}
}

// post moves the balances, refreshes the lots that were touched, writes the movement and publishes the fact. Of lots which the
// caller holds, as they were last saved but for what it wants saved with them, none is read again; they are all of m's item.
func (u unit) post(
	ctx context.Context, m *consumablesv1.StockMovement, item *consumablesv1.Item, postings []stock.Posting, held ...*consumablesv1.Lot,
) error {
	for _, p := range postings {
		m.Postings = append(m.Postings, &consumablesv1.Posting{Lot: p.Lot, Location: p.Location, Quantity: store.Quantity(p.Amount, item.GetBaseUnitCode())})
	}
	if err := store.Move(ctx, u.Tx, m, postings); err != nil {
		return err
	}
	for name, before := range u.known {
		u.known[name] = stock.After(before, name, postings)
	}
	for _, name := range lotsOf(postings) {
		lot, of, err := u.touched(ctx, name, item, held)
		if err != nil {
			return err
		}
		if err := u.refresh(ctx, lot, of); err != nil {
			return err
		}
		if name == m.GetLot() {
			m.Remaining = lot.GetOnHand()
		}
	}
	if err := store.Record(ctx, u.Tx, m, postings, u.now); err != nil {
		return err
	}
	fact := outbox.New(u.app.IDs.New(), u.now, source, "coldsection.stock."+strings.ToLower(m.GetKind().String())+".v1", m.GetName(), &consumablesv1.StockMoved{
		Movement: m.GetName(), Kind: m.GetKind().String(), Lot: m.GetLot(), Item: m.GetItem(), ItemKind: item.GetKind().String(), Quantity: m.GetQuantity(),
		WorkOrder: m.GetWorkOrder(), Engine: m.GetEngine(), ReversesMovement: m.GetReversesMovement(), EffectiveTime: m.GetEffectiveTime(),
	})
	return outbox.AppendFirst(ctx, u.Tx, fact)
}

// touched is a lot that a movement touched, with its item: the caller's, or read.
func (u unit) touched(
	ctx context.Context, name string, item *consumablesv1.Item, held []*consumablesv1.Lot,
) (*consumablesv1.Lot, *consumablesv1.Item, error) {
	for _, lot := range held {
		if lot.GetName() == name {
			return lot, item, nil
		}
	}
	lot, err := store.Lots.Lock(ctx, u.Tx, name)
	if err != nil || lot.GetItem() == item.GetName() {
		return lot, item, err
	}
	item, err = u.itemOf(ctx, lot)
	return lot, item, err
}

func lotsOf(postings []stock.Posting) []string {
	var names []string
	seen := map[string]bool{}
	for _, p := range postings {
		if !seen[p.Lot] {
			seen[p.Lot] = true
			names = append(names, p.Lot)
		}
	}
	return names
}

// refresh recomputes what a lot shows from the ledger, and saves it.
func (u unit) refresh(ctx context.Context, lot *consumablesv1.Lot, item *consumablesv1.Item) error {
	balances, known := u.known[lot.GetName()]
	if !known {
		var err error
		if balances, err = store.Balances(ctx, u.Tx, lot.GetName()); err != nil {
			return err
		}
	}
	var onHand, anywhere stock.Micro
	lot.Balances = nil
	for _, b := range balances {
		lot.Balances = append(lot.Balances, &consumablesv1.LotBalance{Location: b.Location, Quantity: store.Quantity(b.Amount, item.GetBaseUnitCode())})
		if store.Physical(b.Location) {
			onHand += b.Amount
		}
		if store.Physical(b.Location) || strings.HasPrefix(b.Location, orders) {
			anywhere += b.Amount
		}
	}
	lot.OnHand = store.Quantity(onHand, item.GetBaseUnitCode())
	switch {
	case anywhere == 0 && lot.GetState() == consumablesv1.Lot_USABLE:
		lot.State = consumablesv1.Lot_EMPTIED
	case anywhere > 0 && lot.GetState() == consumablesv1.Lot_EMPTIED:
		if err := u.refilled(ctx, lot); err != nil {
			return err
		}
	case anywhere > 0 && lot.GetState() == consumablesv1.Lot_DISPOSED: // nobody knows any more what it was before
		u.blockAs(lot, consumablesv1.Lot_HELD, "Its disposal was undone", "")
	}
	return store.Lots.SaveLater(ctx, u.Tx, lot, u.now)
}
