package app

import (
	"cmp"
	"context"
	"maps"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	commonv1 "coldsection.example/proto/coldsection/common/v1"
	consumablesv1 "coldsection.example/proto/coldsection/consumables/v1"
	"coldsection.example/services/consumables/internal/stock"
	"coldsection.example/services/consumables/internal/store"
	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/idempotency"
	"coldsection.example/services/platform/resource"
	"coldsection.example/services/platform/storage"
)

// ReceiveLot books a delivery into a lot that waits for its receiving inspection.
func (a *App) ReceiveLot(ctx context.Context, req *consumablesv1.ReceiveLotRequest) (*consumablesv1.Lot, error) {
	return idempotency.Execute(ctx, a.DB, a.Clock, req, func(ctx context.Context, tx *storage.Tx) (*consumablesv1.Lot, error) {
		return a.unit(ctx, tx).receive(ctx, req)
	})
}

func (u unit) receive(ctx context.Context, req *consumablesv1.ReceiveLotRequest) (*consumablesv1.Lot, error) {
	elsewhere, certificate := maps.Clone(req.GetLot().GetExternalIds()), req.GetLot().GetCertificate()
	item, err := store.Items.Get(ctx, u.Tx, req.GetLot().GetItem())
	if err != nil {
		return nil, err
	}
	amount, err := amountOf(req.GetQuantity(), item)
	if err != nil {
		return nil, err
	}
	place, err := store.Locations.Get(ctx, u.Tx, req.GetLocation())
	if err != nil {
		return nil, err
	}
	lot, err := u.lotToReceive(ctx, req, item, place.GetName())
	if err != nil {
		return nil, err
	}
	m := u.movement(consumablesv1.StockMovement_RECEIVED, lot, amount, item.GetBaseUnitCode())
	m.Reason, m.Certificate = req.GetProductionRun(), certificate
	if err := u.post(ctx, m, item, transfer(lot.GetName(), store.Supplier, place.GetName(), amount)); err != nil {
		return nil, err
	}
	if err := u.countedAt(ctx, lot.GetName(), item, place.GetName()); err != nil { // a lot of before may stand elsewhere
		return nil, err
	}
	if lot, err = u.addReceived(ctx, lot.GetName(), amount, item); err != nil {
		return nil, err
	}
	if err := u.namedElsewhere(ctx, lot, elsewhere); err != nil {
		return nil, err
	}
	if err := u.packsReceived(ctx, lot, req.GetLot(), item, amount); err != nil {
		return nil, err
	}
	return lot, u.lotFact(ctx, "received", lot, m.GetQuantity(), "")
}

func transfer(lot, source, target string, amount stock.Micro) []stock.Posting {
	return []stock.Posting{{Lot: lot, Location: source, Amount: -amount}, {Lot: lot, Location: target, Amount: amount}}
}

// mixed is when a lot was made from others, and when these end; nothing of what came in from outside.
type mixed struct {
	at   time.Time
	ends []time.Time
}

// addLot gives a new lot its code and its end of life, and writes it.
func (u unit) addLot(ctx context.Context, lot *consumablesv1.Lot, item *consumablesv1.Item, place string, of mixed) (*consumablesv1.Lot, error) {
	code, err := u.nextCode(ctx)
	if err != nil {
		return nil, err
	}
	lot.ShortCode = code
	for _, h := range item.GetHazardStatements() {
		lot.Hazards = append(lot.Hazards, &consumablesv1.Hazard{Code: h[:min(4, len(h))], Text: h})
	}
	end, rule, known, err := u.lifeOf(ctx, lot, item, place, of)
	if err != nil {
		return nil, err
	}
	if lot.LifeRule = rule; known && !end.IsZero() {
		lot.ExpireTime = timestamppb.New(end)
		if len(of.ends) == 0 && u.now.After(end) {
			return nil, fault.Precondition("LOT_EXPIRED", "Lot %q of %s was usable until %s (%s) and can't be received. Send it back.",
				lot.GetManufacturerLot(), item.GetName(), end.Format("2006-01-02 15:04Z"), rule)
		}
	} else if !known {
		lot.LifeRule = "unknown: not usable until a use-by date is recorded"
	}
	return lot, store.Lots.Insert(ctx, u.Tx, lot, u.now)
}

// lifeOf is when a lot that was not opened yet ends, by its dates, its item and what it was made from; the rule that binds, and whether it is
// known.
func (u unit) lifeOf(ctx context.Context, lot *consumablesv1.Lot, item *consumablesv1.Item, place string, of mixed) (end time.Time, rule string, known bool, err error) {
	zone, err := u.zoneOf(ctx, place)
	if err != nil {
		return end, "", false, err
	}
	life := stock.Life{
		NoLimit: item.GetNoLifeLimit(), UseBy: resource.DateText(lot.GetUseByDate()), Manufactured: resource.DateText(lot.GetManufactureDate()),
		ShelfDays: int(item.GetShelfLifeDays()), ShelfMonths: int(item.GetShelfLifeMonths()), Inputs: of.ends,
	}
	if item.GetElastomer() != "" {
		last, unlimited, err := stock.CureLife(item.GetElastomer(), lot.GetCureQuarter(), int(item.GetShelfLifeMonths()))
		if err != nil {
			return end, "", false, err
		}
		life.ShelfMonths, life.NoLimit = 0, life.NoLimit || unlimited
		if life.UseBy == "" || last != "" && last < life.UseBy {
			life.UseBy = last
		}
	}
	if len(of.ends) > 0 {
		life.Mixed, life.PotHours = of.at, int(item.GetPotLifeHours())
	}
	return life.End(zone)
}

// nextCode is the short code of the next lot.
func (u unit) nextCode(ctx context.Context) (string, error) {
	n, err := store.NextLotNumber(ctx, u.Tx)
	return stock.ShortCode(n), err
}

func (u unit) addReceived(ctx context.Context, name string, amount stock.Micro, item *consumablesv1.Item) (*consumablesv1.Lot, error) {
	lot, err := store.Lots.Lock(ctx, u.Tx, name)
	if err != nil {
		return nil, err
	}
	var before stock.Micro
	if lot.GetReceived() != nil {
		if before, err = stock.FromCount(lot.GetReceived().GetValue(), lot.GetReceived().GetUnitCode(), item.GetBaseUnitCode()); err != nil {
			return nil, err
		}
	}
	lot.Received = store.Quantity(before+amount, item.GetBaseUnitCode())
	return lot, store.Lots.Save(ctx, u.Tx, lot, u.now)
}

func (u unit) lotFact(ctx context.Context, verb string, lot *consumablesv1.Lot, amount *commonv1.Quantity, reason string) error {
	return u.publish(ctx, "coldsection.stock.lot."+verb+".v1", lot.GetName(), &consumablesv1.LotChanged{
		Lot: lot.GetName(), Item: lot.GetItem(), State: lot.GetState().String(), Reason: reason, Quantity: amount,
	})
}

// ClearLot takes a HELD lot into usable stock.
func (a *App) ClearLot(ctx context.Context, req *consumablesv1.ClearLotRequest) (*consumablesv1.Lot, error) {
	return idempotency.Execute(ctx, a.DB, a.Clock, req, func(ctx context.Context, tx *storage.Tx) (*consumablesv1.Lot, error) {
		u := a.unit(ctx, tx)
		lot, item, err := u.lockLot(ctx, req.GetName(), req.GetEtag())
		if err != nil {
			return nil, err
		}
		addAnswers(lot, req.GetAnswers())
		if err := u.mayClear(ctx, lot, item); err != nil {
			return nil, err
		}
		if err := u.release(ctx, lot); err != nil {
			return nil, err
		}
		if req.GetLocation() != "" {
			if err := u.putAway(ctx, lot, item, req.GetLocation()); err != nil {
				return nil, err
			}
		}
		if lot, err = store.Lots.Get(ctx, tx, lot.GetName()); err != nil {
			return nil, err
		}
		return lot, u.lotFact(ctx, "cleared", lot, lot.GetOnHand(), "")
	})
}

func (u unit) lockLot(ctx context.Context, name, etag string) (*consumablesv1.Lot, *consumablesv1.Item, error) {
	lot, err := store.Lots.Lock(ctx, u.Tx, name)
	if err != nil {
		return nil, nil, err
	}
	if err := resource.CheckEtag(lot, etag); err != nil {
		return nil, nil, err
	}
	item, err := u.itemOf(ctx, lot)
	return lot, item, err
}

func (u unit) mayClear(ctx context.Context, lot *consumablesv1.Lot, item *consumablesv1.Item) error {
	if lot.GetState() != consumablesv1.Lot_HELD {
		return fault.Precondition("LOT_NOT_HELD", "Lot %s is %s; only a HELD lot is cleared. Read it anew, for somebody may have cleared it.",
			lot.GetName(), lot.GetState()).With("state", lot.GetState().String())
	}
	if item.GetCertificateRequired() && lot.GetCertificate() == nil && lot.GetProductionRun() == "" { // of what was made here its test speaks
		return fault.Precondition("CERTIFICATE_MISSING", "%s needs a certificate and lot %s has none. Record the one that came later, or send the lot back.",
			item.GetDisplayName(), lot.GetName())
	}
	if err := answered(lot, item); err != nil {
		return err
	}
	if reason, why := u.untested(ctx, lot, item, u.now); reason != "" {
		return fault.Precondition(reason, "%s", why).With("lot", lot.GetName())
	}
	if err := u.originHeld(ctx, lot); err != nil {
		return err
	}
	return u.secondPerson(ctx, lot, item)
}

func (u unit) secondPerson(ctx context.Context, lot *consumablesv1.Lot, item *consumablesv1.Item) error {
	if !item.GetSecondPersonClears() {
		return nil
	}
	if err := u.isPerson(); err != nil {
		return err
	}
	receipts, err := store.Movements.Where(ctx, u.Tx, "lot = $1 AND kind = 'RECEIVED'", lot.GetName())
	if err != nil {
		return err
	}
	for _, r := range lot.GetDocumentRecords() {
		if r.GetRecorder() == who(u.caller) {
			return fault.Precondition("SAME_PERSON", "You recorded documents of lot %s yourself; another person must clear it. Ask one to.", lot.GetName()).With("person", who(u.caller))
		}
	}
	for _, r := range receipts {
		if cmp.Or(r.GetPerson(), r.GetActor()) == who(u.caller) {
			return fault.Precondition("SAME_PERSON", "You received lot %s yourself; another person must clear it. Ask one to.", lot.GetName()).With("person", who(u.caller))
		}
	}
	return nil
}

// putAway moves all that is in other physical places to the bin.
func (u unit) putAway(ctx context.Context, lot *consumablesv1.Lot, item *consumablesv1.Item, bin string) error {
	if _, err := store.Locations.Get(ctx, u.Tx, bin); err != nil {
		return err
	}
	balances, err := store.Balances(ctx, u.Tx, lot.GetName())
	if err != nil {
		return err
	}
	for _, b := range balances {
		if !store.Physical(b.Location) || b.Location == bin {
			continue
		}
		m := u.movement(consumablesv1.StockMovement_CLEARED, lot, b.Amount, item.GetBaseUnitCode())
		if err := u.post(ctx, m, item, transfer(lot.GetName(), b.Location, bin, b.Amount)); err != nil {
			return err
		}
	}
	return u.countedAt(ctx, lot.GetName(), item, bin)
}
