package app

import (
	"context"
	"fmt"
	"strings"
	"time"

	"google.golang.org/genproto/googleapis/type/date"

	commonv1 "coldsection.example/proto/coldsection/common/v1"
	consumablesv1 "coldsection.example/proto/coldsection/consumables/v1"
	"coldsection.example/services/consumables/internal/gs1"
	"coldsection.example/services/consumables/internal/scan"
	"coldsection.example/services/consumables/internal/stock"
	"coldsection.example/services/consumables/internal/store"
	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/quantity"
	"coldsection.example/services/platform/resource"
	"coldsection.example/services/platform/storage"
)

var carriers = map[scan.Kind]consumablesv1.ParseScanResponse_Carrier{
	scan.Name: consumablesv1.ParseScanResponse_RESOURCE_NAME, scan.ShortCode: consumablesv1.ParseScanResponse_SHORT_CODE,
	scan.OwnLabel: consumablesv1.ParseScanResponse_OWN_LABEL, scan.OwnLink: consumablesv1.ParseScanResponse_OWN_LINK,
	scan.Elements: consumablesv1.ParseScanResponse_GS1_ELEMENTS, scan.Link: consumablesv1.ParseScanResponse_GS1_LINK,
	scan.TradeItem: consumablesv1.ParseScanResponse_TRADE_ITEM,
}

// ParseScan says what was scanned and what may be done with it.
func (a *App) ParseScan(ctx context.Context, req *consumablesv1.ParseScanRequest) (*consumablesv1.ParseScanResponse, error) {
	read, err := scan.Understand(req.GetCode(), req.GetAlsoScanned()...)
	if err != nil {
		return nil, err
	}
	if err := read.Message.Check(); err != nil {
		return nil, err
	}
	resp := &consumablesv1.ParseScanResponse{Carrier: carriers[read.Kind]}
	err = a.DB.View(ctx, func(ctx context.Context, tx *storage.Tx) error {
		u := a.unit(ctx, tx)
		say(resp, read.Message, u.now)
		lot, item, err := u.scanned(ctx, read, resp)
		if err != nil {
			return err
		}
		resp.Lot, resp.Item = lot, item.GetName()
		return u.assess(ctx, req, resp, read, item)
	})
	return resp, err
}

// say fills in what the elements of a supplier's code say.
func say(resp *consumablesv1.ParseScanResponse, m gs1.Message, today time.Time) {
	for _, e := range m.Elements {
		resp.Elements = append(resp.Elements, &consumablesv1.ScanElement{Key: e.AI, Title: e.Title(), Value: e.Value})
	}
	resp.ElementText = m.Text()
	if resp.Gtin = m.Value("01"); resp.GetGtin() == "" {
		resp.Gtin = m.Value("02") // of what a shipping unit holds
	}
	resp.ManufacturerLot, resp.Serial = m.Value("10"), m.Value("21")
	resp.UseByDate, resp.ManufactureDate = dayOf(m.Value("17"), today), dayOf(m.Value("11"), today)
	if value, unit, ok := m.Amount(); ok {
		if u, err := quantity.Lookup(unit); err == nil {
			resp.Quantity = &commonv1.Quantity{Value: value, UnitCode: u.Code}
		}
	}
}

func dayOf(value string, today time.Time) *date.Date {
	day, ok := gs1.Day(value, today)
	if !ok {
		return nil
	}
	return &date.Date{Year: int32(day.Year()), Month: int32(day.Month()), Day: int32(day.Day())}
}

// scanned finds the lot and the item. Our own codes must be known; of a supplier's code both may be nil, with resp saying why.
func (u unit) scanned(ctx context.Context, read scan.Read, resp *consumablesv1.ParseScanResponse) (*consumablesv1.Lot, *consumablesv1.Item, error) {
	switch read.Kind {
	case scan.Elements, scan.Link, scan.TradeItem:
		return u.supplied(ctx, resp)
	case scan.Name:
		lot, err := store.Lots.Get(ctx, u.Tx, read.Name)
		return u.withItem(ctx, lot, err)
	default:
		lot, err := u.byCode(ctx, read.Code)
		return u.withItem(ctx, lot, err)
	}
}

func (u unit) withItem(ctx context.Context, lot *consumablesv1.Lot, err error) (*consumablesv1.Lot, *consumablesv1.Item, error) {
	if err != nil {
		return nil, nil, err
	}
	item, err := u.itemOf(ctx, lot)
	return lot, item, err
}

func (u unit) byCode(ctx context.Context, code string) (*consumablesv1.Lot, error) {
	lots, err := store.Lots.Where(ctx, u.Tx, "short_code = $1", code)
	if err != nil {
		return nil, err
	}
	if len(lots) == 0 {
		return nil, fault.New(fault.NotFound, "LOT_UNKNOWN", "No lot has the code %s. Stop, and ask stores.", code)
	}
	return lots[0], nil
}

// supplied finds what a supplier's code means: the item that has the trade item number on record, and its lot of that number.
// Containers that were filled here from the lot have labels of their own, so the lot itself is meant.
func (u unit) supplied(ctx context.Context, resp *consumablesv1.ParseScanResponse) (*consumablesv1.Lot, *consumablesv1.Item, error) {
	items, err := u.itemsOf(ctx, resp.GetGtin())
	if err != nil {
		return nil, nil, err
	}
	if len(items) != 1 {
		resp.Reason, resp.Explanation = noItem(resp.GetGtin(), items)
		return nil, nil, nil
	}
	lot, err := u.lotOf(ctx, items[0], resp.GetManufacturerLot())
	if lot == nil && err == nil {
		resp.Reason, resp.Explanation = "LOT_UNKNOWN", noLot(items[0], resp.GetManufacturerLot())
	}
	return lot, items[0], err
}

// noItem says why a trade item number means no item.
func noItem(gtin string, items []*consumablesv1.Item) (reason, why string) {
	switch {
	case gtin == "":
		return "ITEM_UNKNOWN", "The code names no trade item. Stop: scan the code that does, or our own label."
	case len(items) == 0:
		return "ITEM_UNKNOWN", fmt.Sprintf("No item has the trade item number %s. Stop: find the item by hand; if it is the same, record the number as its external id %q.", gtin, gtinID)
	default:
		return "ITEM_AMBIGUOUS", fmt.Sprintf("%s and %s both have the trade item number %s. Stop, and have one of them put right.", items[0].GetName(), items[1].GetName(), gtin)
	}
}

// noLot says why a supplier's code means no lot of the item.
func noLot(item *consumablesv1.Item, number string) string {
	if number == "" {
		return "The code names no lot. Scan our own label, or receive it as a new delivery and type the lot."
	}
	return fmt.Sprintf("%s has no lot %q here. Stop, unless it is a new delivery to be received.", item.GetDisplayName(), number)
}

// lotOf is the item's lot with its maker's number; nil when there is none. Of several deliveries, which the maker's code can't tell apart, it
// is one that may not be used, if there is one: our own label says which delivery it is.
func (u unit) lotOf(ctx context.Context, item *consumablesv1.Item, number string) (*consumablesv1.Lot, error) {
	if number == "" {
		return nil, nil //nolint:nilnil // no lot is an answer
	}
	lots, err := store.Lots.Where(ctx, u.Tx, "item = $1 AND "+sameNumber+` ORDER BY CASE state
		WHEN 'RECALLED' THEN 1 WHEN 'HELD' THEN 2 WHEN 'EMPTIED' THEN 4 WHEN 'DISPOSED' THEN 5 ELSE 3 END, create_time DESC`, item.GetName(), number)
	if err != nil {
		return nil, err
	}
	for _, lot := range lots {
		if len(lot.GetParents()) == 0 {
			return lot, nil
		}
	}
	return nil, nil //nolint:nilnil // as above
}

// findLot finds a lot for a look-up by any code. Reason: LOT_UNKNOWN, and those of reading a scan.
func (u unit) findLot(ctx context.Context, code string) (*consumablesv1.Lot, error) {
	read, err := scan.Understand(code)
	if err != nil {
		return nil, err
	}
	if err := read.Message.Check(); err != nil {
		return nil, err
	}
	resp := &consumablesv1.ParseScanResponse{}
	say(resp, read.Message, u.now)
	lot, _, err := u.scanned(ctx, read, resp)
	if err != nil || lot != nil {
		return lot, err
	}
	_, suspicion := swallowed(read.Message)
	return nil, fault.New(fault.NotFound, "LOT_UNKNOWN", "%s", strings.TrimSpace(resp.GetExplanation()+" "+suspicion))
}

// swallowed says that the scanner may have dropped a separator; empty when nothing points to it.
func swallowed(m gs1.Message) (reason, why string) {
	ai, tail, found := m.Swallowed()
	if !found {
		return "", ""
	}
	return "SEPARATOR_SUSPECTED", fmt.Sprintf(
		"The end of (%s)%s reads like %s: the scanner seems to drop the separator. Type what the label says, and set the scanner to send GS (ASCII 29).", ai, m.Value(ai), tail)
}

// textOf is a date of the contract as text.
func textOf(d *date.Date) string { return resource.DateText(d) }

// needOf is when what was scanned is to be used.
func (u unit) needOf(req *consumablesv1.ParseScanRequest, demands []store.Demand, item string) time.Time {
	if req.GetNeedTime() != nil {
		return req.GetNeedTime().AsTime()
	}
	return needTime(demands, item, u.now)
}

// wanted is what an order still needs of an item.
func wanted(demands []store.Demand, item string) stock.Micro {
	var sum stock.Micro
	for _, d := range demands {
		if d.Item == item {
			sum += max(0, d.Needed-d.Issued)
		}
	}
	return sum
}
