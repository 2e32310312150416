package app

import (
	"cmp"
	"context"
	"slices"
	"strings"
	"time"

	consumablesv1 "coldsection.example/proto/coldsection/consumables/v1"
	"coldsection.example/services/consumables/internal/stock"
	"coldsection.example/services/consumables/internal/store"
	"coldsection.example/services/platform/storage"
)

// TraceLot follows a lot forwards to engines, or backwards to receipts, through every mix and container, as of a time.
func (a *App) TraceLot(ctx context.Context, req *consumablesv1.TraceLotRequest) (*consumablesv1.TraceLotResponse, error) {
	var asOf time.Time
	if req.GetAsOfTime() != nil {
		asOf = req.GetAsOfTime().AsTime()
	}
	var resp *consumablesv1.TraceLotResponse
	err := a.DB.View(ctx, func(ctx context.Context, tx *storage.Tx) error {
		t := &tracer{unit: a.unit(ctx, tx), resp: &consumablesv1.TraceLotResponse{}, units: map[string]string{}, kinds: map[string]consumablesv1.Location_Kind{}, told: map[string]bool{}}
		resp = t.resp
		if err := t.sisters(ctx, req.GetName()); err != nil {
			return err
		}
		if req.GetDirection() != consumablesv1.TraceLotRequest_BACKWARD {
			if err := t.follow(ctx, req.GetName(), true, asOf); err != nil {
				return err
			}
		}
		if req.GetDirection() != consumablesv1.TraceLotRequest_FORWARD {
			return t.follow(ctx, req.GetName(), false, asOf)
		}
		return nil
	})
	return resp, err
}

type tracer struct {
	unit

	resp  *consumablesv1.TraceLotResponse
	units map[string]string // base unit of an item
	kinds map[string]consumablesv1.Location_Kind
	told  map[string]bool // lots that the answer has already
}

// sisters adds the other deliveries of a lot's manufacturer's lot.
func (t *tracer) sisters(ctx context.Context, name string) error {
	lot, err := store.Lots.Get(ctx, t.Tx, name)
	if err != nil {
		return err
	}
	batch, err := t.batch(ctx, lot.GetItem(), lot.GetManufacturerLot())
	for _, l := range batch {
		if l.GetName() != name && len(lot.GetParents()) == 0 {
			t.resp.BatchLots = append(t.resp.BatchLots, l.GetName())
		}
	}
	return err
}

// family is what one direction of a trace read.
type family struct {
	lots     map[string]*consumablesv1.Lot
	edges    []stock.Edge
	into     map[string][]stock.Edge // by target
	balances map[string][]stock.Posting
	moves    map[string][]*consumablesv1.StockMovement
}

func (t *tracer) read(ctx context.Context, f store.Family) (family, error) {
	var read family
	var err error
	if read.lots, err = f.Lots(ctx); err != nil {
		return read, err
	}
	if read.edges, err = f.Edges(ctx); err != nil {
		return read, err
	}
	read.into = map[string][]stock.Edge{}
	for _, e := range read.edges {
		read.into[e.Target] = append(read.into[e.Target], e)
	}
	balances, err := f.Balances(ctx)
	if err != nil {
		return read, err
	}
	read.balances, read.moves = map[string][]stock.Posting{}, map[string][]*consumablesv1.StockMovement{}
	for _, b := range balances {
		read.balances[b.Lot] = append(read.balances[b.Lot], b)
	}
	moves, err := f.Movements(ctx)
	for _, m := range moves {
		if m.GetReversalMovement() == "" {
			read.moves[m.GetLot()] = append(read.moves[m.GetLot()], m)
		}
	}
	return read, err
}

func (t *tracer) follow(ctx context.Context, root string, forward bool, asOf time.Time) error {
	f, err := t.read(ctx, store.NewFamily(t.Tx, root, forward, asOf))
	if err != nil {
		return err
	}
	order, depth := stock.Reach(root, f.edges, forward)
	for _, name := range order {
		if t.told[name] {
			continue
		}
		t.told[name] = true
		steps := int32(min(depth[name], 1<<20))
		if !forward {
			steps = -steps
		}
		if err := t.tell(ctx, f, f.lots[name], steps); err != nil {
			return err
		}
	}
	if err := t.steps(ctx, f, depth, forward); err != nil || !forward {
		return err
	}
	return t.places(ctx, f, root, depth)
}

// steps adds the edges between the lots that were reached.
func (t *tracer) steps(ctx context.Context, f family, reached map[string]int, forward bool) error {
	for _, e := range f.edges {
		near := e.Origin
		if !forward {
			near = e.Target
		}
		if _, ok := reached[near]; !ok {
			continue
		}
		unitCode, err := t.unitOf(ctx, f.lots[e.Target])
		if err != nil {
			return err
		}
		t.resp.Edges = append(t.resp.Edges, &consumablesv1.TraceEdge{SourceLot: e.Origin, TargetLot: e.Target, Quantity: store.Quantity(e.Amount, unitCode), Movement: e.Movement})
	}
	return nil
}

func (t *tracer) unitOf(ctx context.Context, lot *consumablesv1.Lot) (string, error) {
	if unitCode, ok := t.units[lot.GetItem()]; ok {
		return unitCode, nil
	}
	item, err := t.itemOf(ctx, lot)
	t.units[lot.GetItem()] = item.GetBaseUnitCode()
	return item.GetBaseUnitCode(), err
}

// tell adds a lot with its uses, receipts and balance.
func (t *tracer) tell(ctx context.Context, f family, lot *consumablesv1.Lot, depth int32) error {
	unitCode, err := t.unitOf(ctx, lot)
	if err != nil {
		return err
	}
	name := lot.GetName()
	t.resp.Nodes = append(t.resp.Nodes, &consumablesv1.TraceNode{
		Lot: name, Item: lot.GetItem(), ManufacturerLot: lot.GetManufacturerLot(), State: lot.GetState(), Depth: depth,
		Recipe: lot.GetRecipe(), RecipeRevision: lot.GetRecipeRevision(),
	})
	for _, m := range f.moves[name] {
		switch m.GetKind() {
		case consumablesv1.StockMovement_RECEIVED:
			t.resp.Receipts = append(t.resp.Receipts, m)
		case consumablesv1.StockMovement_CONSUMED:
			t.resp.Uses = append(t.resp.Uses, &consumablesv1.TraceUse{Lot: name, WorkOrder: m.GetWorkOrder(), Engine: m.GetEngine(), Quantity: m.GetQuantity(), UseTime: m.GetEffectiveTime()})
		default:
		}
	}
	for _, b := range f.balances[name] {
		if strings.HasPrefix(b.Location, orders) && b.Amount != 0 {
			t.resp.Uses = append(t.resp.Uses, &consumablesv1.TraceUse{Lot: name, WorkOrder: b.Location, Quantity: store.Quantity(b.Amount, unitCode)})
		}
	}
	return t.balance(f, name, unitCode)
}

// balance adds the lot's own line: what came in and where it is.
func (t *tracer) balance(f family, lot, unitCode string) error {
	made, err := f.made(lot)
	if err != nil {
		return err
	}
	sums, received := map[consumablesv1.Location_Kind]stock.Micro{}, made
	for _, b := range f.balances[lot] {
		switch b.Location {
		case store.Supplier:
			received -= b.Amount
		case store.Production, store.MixingLoss:
			sums[consumablesv1.Location_MIXING_LOSS] += b.Amount
		default:
			sums[kindOf(b.Location)] += b.Amount
		}
	}
	sums[consumablesv1.Location_MIXING_LOSS] += made // what was made came out of production, where what was mixed away went
	t.resp.BalanceLines = append(t.resp.BalanceLines, lineOf(lot, received, sums, unitCode))
	return nil
}

func lineOf(lot string, received stock.Micro, sums map[consumablesv1.Location_Kind]stock.Micro, unitCode string) *consumablesv1.LotBalanceLine {
	return &consumablesv1.LotBalanceLine{
		Lot: lot, Received: store.Quantity(received, unitCode),
		Used:         store.Quantity(sums[consumablesv1.Location_ENGINE], unitCode),
		Disposed:     store.Quantity(sums[consumablesv1.Location_WASTE], unitCode),
		Mixed:        store.Quantity(sums[consumablesv1.Location_MIXING_LOSS], unitCode),
		IssuedUnused: store.Quantity(sums[consumablesv1.Location_JOB], unitCode),
		OnHand:       store.Quantity(sums[consumablesv1.Location_BIN], unitCode),
		Difference:   store.Quantity(sums[consumablesv1.Location_COUNT_DIFFERENCE], unitCode),
	}
}

// made is how much of a lot was mixed or filled here.
func (f family) made(lot string) (stock.Micro, error) {
	var sum stock.Micro
	mixed := map[string]bool{}
	for _, m := range f.moves[lot] {
		if m.GetKind() != consumablesv1.StockMovement_BLENDED {
			continue
		}
		mixed[m.GetName()] = true
		out, err := stock.FromCount(m.GetQuantity().GetValue(), m.GetQuantity().GetUnitCode(), m.GetQuantity().GetUnitCode())
		if err != nil {
			return 0, err
		}
		sum += out
	}
	for _, e := range f.into[lot] {
		if !mixed[e.Movement] {
			sum += e.Amount
		}
	}
	return sum, nil
}

// kindOf is what a place is, as far as the books tell: all of stores counts as a BIN.
func kindOf(location string) consumablesv1.Location_Kind {
	switch {
	case strings.HasPrefix(location, engines):
		return consumablesv1.Location_ENGINE
	case strings.HasPrefix(location, orders):
		return consumablesv1.Location_JOB
	case location == store.Waste:
		return consumablesv1.Location_WASTE
	case location == store.MixingLoss:
		return consumablesv1.Location_MIXING_LOSS
	case location == store.CountDifference:
		return consumablesv1.Location_COUNT_DIFFERENCE
	case location == store.Production:
		return consumablesv1.Location_PRODUCTION
	case location == store.Supplier:
		return consumablesv1.Location_SUPPLIER
	default:
		return consumablesv1.Location_BIN
	}
}

// places adds where the root lot is now, by itself or mixed, with its share of each, and the line that these add up to.
func (t *tracer) places(ctx context.Context, f family, root string, reached map[string]int) error {
	var there []stock.Posting
	for name := range reached {
		for _, b := range f.balances[name] {
			if k := kindOf(b.Location); k != consumablesv1.Location_SUPPLIER && k != consumablesv1.Location_PRODUCTION {
				there = append(there, b)
			}
		}
	}
	slices.SortFunc(there, func(a, b stock.Posting) int {
		return cmp.Or(cmp.Compare(a.Location, b.Location), cmp.Compare(a.Lot, b.Lot))
	})
	shares, err := stock.Shares(root, f.edges, there)
	if err != nil {
		return err
	}
	sums := map[consumablesv1.Location_Kind]stock.Micro{}
	for i, p := range there {
		unitCode, err := t.unitOf(ctx, f.lots[p.Lot])
		if err != nil {
			return err
		}
		kind, err := t.kindOfPlace(ctx, p.Location)
		if err != nil {
			return err
		}
		sums[kindOf(p.Location)] += shares[i]
		t.resp.Places = append(t.resp.Places, &consumablesv1.TracePlace{
			Lot: p.Lot, Location: p.Location, Kind: kind, Quantity: store.Quantity(p.Amount, unitCode), Share: store.Quantity(shares[i], unitCode),
		})
	}
	unitCode, err := t.unitOf(ctx, f.lots[root])
	t.resp.Total = lineOf(root, 0, sums, unitCode)
	t.resp.Total.Received = t.resp.GetBalanceLines()[0].GetReceived() // the root's own line comes first
	t.resp.WorkOrders, t.resp.Engines = f.reached(reached)
	return err
}

// kindOfPlace is the kind of a place, a hold area told from a bin.
func (t *tracer) kindOfPlace(ctx context.Context, location string) (consumablesv1.Location_Kind, error) {
	if !store.Physical(location) {
		return kindOf(location), nil
	}
	if kind, ok := t.kinds[location]; ok {
		return kind, nil
	}
	place, err := store.Locations.Get(ctx, t.Tx, location)
	t.kinds[location] = place.GetKind()
	return place.GetKind(), err
}

// reached are the work orders and the engines that any of the lots went to, each once and in order.
func (f family) reached(lots map[string]int) (jobs, fleet []string) {
	for lot := range lots {
		for _, m := range f.moves[lot] {
			jobs, fleet = append(jobs, m.GetWorkOrder()), append(fleet, m.GetEngine())
		}
	}
	return distinct(jobs), distinct(fleet)
}
