package app

import (
	"bytes"
	"cmp"
	"context"
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	consumablesv1 "coldsection.example/proto/coldsection/consumables/v1"
	"coldsection.example/services/consumables/internal/store"
	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/resource"
	"coldsection.example/services/platform/sheet"
	"coldsection.example/services/platform/storage"
)

// Bounds of one export, so that it fits a message.
const (
	maxExported      = 20_000
	maxExportedBytes = 3_500_000
)

// ExportStock writes stock or movements as a file.
func (a *App) ExportStock(ctx context.Context, req *consumablesv1.ExportStockRequest) (*consumablesv1.ExportStockResponse, error) {
	resp := &consumablesv1.ExportStockResponse{}
	err := a.DB.View(ctx, func(ctx context.Context, tx *storage.Tx) (err error) {
		u := a.unit(ctx, tx)
		switch req.GetContent() {
		case consumablesv1.ExportStockRequest_JOURNAL:
			resp.MediaType, resp.FileName = "text/plain; charset=utf-8", "movements.journal"
			resp.Content, err = u.journal(ctx, req)
		case consumablesv1.ExportStockRequest_MOVEMENTS:
			err = u.table(ctx, req, resp, "movements", movementColumns, u.movementRows)
		default:
			err = u.table(ctx, req, resp, "stock", stockColumns, u.stockRows)
		}
		return err
	})
	if err == nil && len(resp.GetContent()) > maxExportedBytes {
		err = tooMuch()
	}
	return resp, err
}

func tooMuch() error {
	return fault.Precondition("EXPORT_TOO_LARGE", "One export holds at most %d movements or lots and %d bytes. Narrow its time and take it in parts.", maxExported, maxExportedBytes)
}

var stockColumns = []sheet.Column{
	{Name: "lot"}, {Name: "short_code"}, {Name: "item"}, {Name: "manufacturer_lot"}, {Name: "state"}, {Name: "use_by_date", Kind: sheet.Date},
	{Name: "usable_until", Kind: sheet.Time}, {Name: "location"}, {Name: "quantity", Kind: sheet.Number}, {Name: "unit"}, {Name: "certificate_number"}, {Name: "certificate_sha256"},
}

var movementColumns = []sheet.Column{
	{Name: "movement"}, {Name: "kind"}, {Name: "effective_time", Kind: sheet.Time}, {Name: "recorded_time", Kind: sheet.Time}, {Name: "lot"}, {Name: "item"}, {Name: "location"},
	{Name: "quantity", Kind: sheet.Number}, {Name: "unit"}, {Name: "work_order"}, {Name: "engine"}, {Name: "person"}, {Name: "reason"}, {Name: "reverses"},
}

type rowWriter func(ctx context.Context, req *consumablesv1.ExportStockRequest, w sheet.Writer) error

func (u unit) table(
	ctx context.Context, req *consumablesv1.ExportStockRequest, resp *consumablesv1.ExportStockResponse, name string, columns []sheet.Column, rows rowWriter,
) error {
	format := sheet.CSV
	if req.GetFormat() == consumablesv1.ExportStockRequest_XLSX {
		format = sheet.XLSX
	}
	var out bytes.Buffer
	w, err := sheet.NewWriter(&out, format, columns)
	if err != nil {
		return err
	}
	if err := rows(ctx, req, w); err != nil {
		return err
	}
	if err := w.Close(); err != nil {
		return err
	}
	resp.Content, resp.MediaType, resp.FileName = out.Bytes(), format.MediaType(), name+"."+string(format)
	return nil
}

func (u unit) stockRows(ctx context.Context, _ *consumablesv1.ExportStockRequest, w sheet.Writer) error {
	lots, err := store.Lots.Where(ctx, u.Tx, "state <> 'DISPOSED' ORDER BY name LIMIT $1", maxExported+1)
	if err != nil {
		return err
	}
	if len(lots) > maxExported {
		return tooMuch()
	}
	for _, l := range lots {
		until := ""
		if l.GetExpireTime() != nil {
			until = sheet.FormatTime(l.GetExpireTime().AsTime())
		}
		for _, b := range l.GetBalances() {
			if !store.Physical(b.GetLocation()) {
				continue
			}
			if err := w.Write(l.GetName(), l.GetShortCode(), l.GetItem(), l.GetManufacturerLot(), l.GetState().String(), resource.DateText(l.GetUseByDate()), until,
				b.GetLocation(), b.GetQuantity().GetValue(), b.GetQuantity().GetUnitCode(), l.GetCertificate().GetNumber(), l.GetCertificate().GetContentSha256()); err != nil {
				return err
			}
		}
	}
	return nil
}

func (u unit) movementsOf(ctx context.Context, req *consumablesv1.ExportStockRequest) ([]*consumablesv1.StockMovement, error) {
	start, end := int64(math.MinInt64), int64(math.MaxInt64)
	if req.GetStartTime() != nil {
		start = storage.Micros(req.GetStartTime().AsTime())
	}
	if req.GetEndTime() != nil {
		end = storage.Micros(req.GetEndTime().AsTime())
	}
	moves, err := store.MovementsBetween(ctx, u.Tx, start, end, maxExported+1)
	if len(moves) > maxExported {
		return nil, tooMuch()
	}
	return moves, err
}

func (u unit) movementRows(ctx context.Context, req *consumablesv1.ExportStockRequest, w sheet.Writer) error {
	moves, err := u.movementsOf(ctx, req)
	if err != nil {
		return err
	}
	for _, m := range moves {
		for _, p := range m.GetPostings() {
			if err := w.Write(m.GetName(), m.GetKind().String(), sheet.FormatTime(m.GetEffectiveTime().AsTime()), sheet.FormatTime(m.GetCreateTime().AsTime()),
				p.GetLot(), m.GetItem(), p.GetLocation(), p.GetQuantity().GetValue(), p.GetQuantity().GetUnitCode(), m.GetWorkOrder(), m.GetEngine(), m.GetPerson(),
				m.GetReason(), m.GetReversesMovement()); err != nil {
				return err
			}
		}
	}
	return nil
}

// journal writes movements as transactions whose accounts are the places and whose commodities are the lots, each in its
// unit, so that every transaction sums to zero commodity by commodity. Both are declared, so that a strict check passes.
func (u unit) journal(ctx context.Context, req *consumablesv1.ExportStockRequest) ([]byte, error) {
	moves, err := u.movementsOf(ctx, req)
	if err != nil {
		return nil, err
	}
	j := &journal{declared: map[string]bool{}}
	if req.GetStartTime() != nil {
		if err := u.opening(ctx, j, req.GetStartTime().AsTime()); err != nil {
			return nil, err
		}
	}
	for _, m := range moves {
		j.transaction(m)
	}
	head := "; Movements of stock. Accounts are places, commodities are lots with their unit. Dates are days in UTC; the time of each stands below it.\n"
	return slices.Concat([]byte(head), j.declarations.Bytes(), j.body.Bytes()), nil
}

// journal is a file for plain-text accounting while it is written.
type journal struct {
	declarations, body bytes.Buffer
	declared           map[string]bool
}

// transaction writes a movement, and what an auditor asks of it as tags: when it happened and was recorded, by whom, what for and instead of what.
func (j *journal) transaction(m *consumablesv1.StockMovement) {
	fmt.Fprintf(&j.body, "\n%s * (%s) %s\n", m.GetEffectiveTime().AsTime().Format(time.DateOnly), id(m.GetName()), strings.TrimSpace(m.GetKind().String()+" "+m.GetWorkOrder()))
	for _, tag := range []struct{ name, value string }{
		{"time", sheet.FormatTime(m.GetEffectiveTime().AsTime())}, {"recorded", sheet.FormatTime(m.GetCreateTime().AsTime())}, {"by", cmp.Or(m.GetPerson(), m.GetActor())},
		{"reverses", m.GetReversesMovement()}, {"reversed-by", m.GetReversalMovement()}, {"reason", m.GetReason()},
	} {
		if value := strings.Join(strings.Fields(tag.value), " "); value != "" {
			fmt.Fprintf(&j.body, "    ; %s: %s\n", tag.name, value)
		}
	}
	for _, p := range m.GetPostings() {
		j.posting(p.GetLocation(), p.GetQuantity().GetValue(), p.GetLot(), p.GetQuantity().GetUnitCode())
	}
}

// posting writes one line; a commodity with a space or a digit in it is quoted, and what would end the quotes can't be part of
// a name.
func (j *journal) posting(location, value, lot, unitCode string) {
	account, commodity := strings.ReplaceAll(location, "/", ":"), fmt.Sprintf("\"%s %s\"", lot, unitCode)
	j.declare("account " + account)
	j.declare("commodity " + commodity)
	fmt.Fprintf(&j.body, "    %s  %s %s\n", account, value, commodity)
}

func (j *journal) declare(line string) {
	if !j.declared[line] {
		j.declared[line] = true
		j.declarations.WriteString(line + "\n")
	}
}

// opening is one transaction with what was where before the journal begins.
func (u unit) opening(ctx context.Context, j *journal, start time.Time) error {
	balances, err := store.AllBalancesBefore(ctx, u.Tx, storage.Micros(start))
	if err != nil || len(balances) == 0 {
		return err
	}
	fmt.Fprintf(&j.body, "\n%s * opening balances\n", start.Format(time.DateOnly))
	units := map[string]string{}
	for _, b := range balances {
		if units[b.Lot] == "" {
			_, item, err := u.lotAndItem(ctx, b.Lot)
			if err != nil {
				return err
			}
			units[b.Lot] = item.GetBaseUnitCode()
		}
		j.posting(b.Location, b.Amount.Text(), b.Lot, units[b.Lot])
	}
	return nil
}

func (u unit) lotAndItem(ctx context.Context, name string) (*consumablesv1.Lot, *consumablesv1.Item, error) {
	lot, err := store.Lots.Get(ctx, u.Tx, name)
	if err != nil {
		return nil, nil, err
	}
	item, err := u.itemOf(ctx, lot)
	return lot, item, err
}

func id(name string) string { return name[strings.LastIndexByte(name, '/')+1:] }
