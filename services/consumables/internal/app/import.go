package app

import (
	"context"
	"errors"
	"fmt"
	"maps"
	"slices"
	"strconv"
	"strings"
	"time"

	"google.golang.org/genproto/googleapis/type/date"

	commonv1 "coldsection.example/proto/coldsection/common/v1"
	consumablesv1 "coldsection.example/proto/coldsection/consumables/v1"
	"coldsection.example/services/consumables/internal/store"
	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/idempotency"
	"coldsection.example/services/platform/resource"
	"coldsection.example/services/platform/sheet"
	"coldsection.example/services/platform/storage"
)

// itemColumns are the columns of a table of items.
var itemColumns = []sheet.Want{
	{Name: "item_id", Required: true}, {Name: "display_name", Aliases: []string{"name"}, Required: true}, {Name: "kind", Required: true},
	{Name: "base_unit", Aliases: []string{"unit"}, Required: true}, {Name: "part_number"}, {Name: "material_spec"}, {Name: "shelf_life_days", Kind: sheet.Integer},
	{Name: "shelf_life_months", Kind: sheet.Integer}, {Name: "opened_life_days", Kind: sheet.Integer}, {Name: "pot_life_hours", Kind: sheet.Integer},
	{Name: "no_life_limit", Kind: sheet.Bool}, {Name: "certificate_required", Kind: sheet.Bool}, {Name: "second_person_clears", Kind: sheet.Bool},
	{Name: "ready_to_use", Kind: sheet.Bool}, {Name: "water_grade"}, {Name: "hazard_statements"}, {Name: "pictograms"}, {Name: "elastomer"},
	{Name: "sds_revision"}, {Name: "sds_date", Kind: sheet.Date}, {Name: "erp_id"},
}

// lotColumns are the columns of a table of opening stock.
var lotColumns = []sheet.Want{
	{Name: "item", Required: true}, {Name: "quantity", Kind: sheet.Number, Required: true}, {Name: "unit", Required: true}, {Name: "location", Required: true},
	{Name: "lot_id"}, {Name: "manufacturer_lot"}, {Name: "supplier"}, {Name: "certificate_number"}, {Name: "certificate_sha256"}, {Name: "cure_quarter"},
	{Name: "manufacture_date", Kind: sheet.Date}, {Name: "use_by_date", Kind: sheet.Date}, {Name: "row_id"},
}

// maxImported is the most rows of one import. Each row tells two facts at most, and one command tells fewer than ten thousand, which
// leave in one transaction and hold up no other's for long.
const maxImported = 4_000

// importFailedError carries the report out of a transaction that is rolled back.
type importFailedError struct {
	report *consumablesv1.ImportStockResponse
}

func (importFailedError) Error() string { return "rows have faults" }

// ImportStock adds the rows of a table, all or none. Reason: TABLE_TOO_LARGE.
func (a *App) ImportStock(ctx context.Context, req *consumablesv1.ImportStockRequest) (*consumablesv1.ImportStockResponse, error) {
	wants, take := itemColumns, unit.importItem
	if req.GetRows() == consumablesv1.ImportStockRequest_LOTS {
		wants, take = lotColumns, unit.importLot
	}
	table, err := sheet.Read(req.GetContent(), sheet.Detect(req.GetContent()), sheet.Options{Limits: sheet.Limits{Rows: maxImported}})
	if err != nil {
		return nil, err
	}
	bound, err := table.Bind(wants...)
	if err != nil {
		return nil, err
	}
	resp, err := idempotency.Execute(ctx, a.DB, a.Clock, req, func(ctx context.Context, tx *storage.Tx) (*consumablesv1.ImportStockResponse, error) {
		return a.unit(ctx, tx).importRows(ctx, bound, take)
	})
	if failed, ok := errors.AsType[importFailedError](err); ok {
		return failed.report, nil
	}
	return resp, err
}

func (u unit) importRows(
	ctx context.Context, bound *sheet.Bound, take func(unit, context.Context, sheet.Record) (string, error),
) (*consumablesv1.ImportStockResponse, error) {
	resp := &consumablesv1.ImportStockResponse{}
	if err := u.Alone(ctx, "imports"); err != nil { // so that of two of one table the second sees the first
		return nil, err
	}
	u.imported, u.stated = map[string][]store.ImportedRow{}, map[string]int{}
	for _, p := range bound.Problems {
		resp.Faults = append(resp.Faults, rowFault(p.Line, p.Column, p.Reason, p.Text))
	}
	for _, record := range bound.Records {
		name, err := take(u, ctx, record)
		refusal, ok := errors.AsType[*fault.Error](err)
		switch {
		case ok && !fault.Undecided(err):
			resp.Faults = append(resp.Faults, rowFault(record.Line, "", refusal.Reason, refusal.Message))
		case err != nil:
			return nil, err
		default:
			resp.Names = append(resp.Names, name)
		}
	}
	if len(resp.GetFaults()) > 0 {
		resp.Names = nil
		return nil, importFailedError{resp}
	}
	resp.ImportedCount = int32(min(len(resp.GetNames()), 1<<30))
	return resp, nil
}

func rowFault(line int, column, reason, text string) *consumablesv1.RowFault {
	return &consumablesv1.RowFault{Line: int32(min(line, 1<<30)), Column: column, Reason: reason, Explanation: text}
}

func (u unit) importItem(ctx context.Context, r sheet.Record) (string, error) {
	kind, ok := consumablesv1.Item_Kind_value[strings.ToUpper(r.Get("kind").Text)]
	if !ok || kind == 0 {
		return "", fault.Invalid("kind", "ITEM_KIND_UNKNOWN", "%.40q is no kind of item. Use CLEANER, WATER, ANTIFREEZE, BLEND, SEAL or OTHER.", r.Get("kind").Text)
	}
	item := &consumablesv1.Item{
		DisplayName: r.Get("display_name").Text, Kind: consumablesv1.Item_Kind(kind), BaseUnitCode: r.Get("base_unit").Text, PartNumber: r.Get("part_number").Text,
		MaterialSpec: r.Get("material_spec").Text, NoLifeLimit: yes(r, "no_life_limit"),
		CertificateRequired: yes(r, "certificate_required"), SecondPersonClears: yes(r, "second_person_clears"), ReadyToUse: yes(r, "ready_to_use"),
		WaterGrade: r.Get("water_grade").Text, HazardStatements: parts(r, "hazard_statements"), Pictograms: parts(r, "pictograms"), Elastomer: r.Get("elastomer").Text,
		SafetyDataSheetRevision: r.Get("sds_revision").Text, SafetyDataSheetDate: day(r, "sds_date"),
	}
	if err := wholes(r, map[string]*int32{
		"shelf_life_days": &item.ShelfLifeDays, "shelf_life_months": &item.ShelfLifeMonths, "opened_life_days": &item.OpenedLifeDays, "pot_life_hours": &item.PotLifeHours,
	}); err != nil {
		return "", err
	}
	if r.Get("erp_id").Given {
		item.ExternalIds = map[string]string{"erp": r.Get("erp_id").Text}
	}
	if err := checkID(r.Get("item_id").Text); err != nil {
		return "", err
	}
	return u.createItem(ctx, item, r.Get("item_id").Text)
}

func (u unit) importLot(ctx context.Context, r sheet.Record) (string, error) {
	lot := &consumablesv1.Lot{
		Item: named("items/", r.Get("item").Text), ManufacturerLot: lotNumber(r.Get("manufacturer_lot").Text), Supplier: r.Get("supplier").Text, CureQuarter: r.Get("cure_quarter").Text,
		ManufactureDate: day(r, "manufacture_date"), UseByDate: day(r, "use_by_date"),
	}
	if r.Get("certificate_number").Given {
		lot.Certificate = &consumablesv1.Certificate{Number: r.Get("certificate_number").Text, ContentSha256: r.Get("certificate_sha256").Text}
	}
	if err := checkID(r.Get("lot_id").Text); err != nil {
		return "", err
	}
	req := &consumablesv1.ReceiveLotRequest{
		Lot: lot, LotId: r.Get("lot_id").Text, Location: named("locations/", r.Get("location").Text), ProductionRun: store.ByImport,
		Quantity: &commonv1.Quantity{Value: r.Get("quantity").Text, UnitCode: r.Get("unit").Text},
	}
	asked, err := u.rowOf(ctx, req)
	if err != nil {
		return "", err
	}
	if err := u.repeated(r, req, asked); err != nil {
		return "", err
	}
	if err := u.importedBefore(ctx, req.GetLot().GetItem(), asked); err != nil {
		return "", err
	}
	got, err := u.receive(ctx, req)
	return got.GetName(), err
}

// rowOf is what a row states, with its amount in the item's base unit.
func (u unit) rowOf(ctx context.Context, req *consumablesv1.ReceiveLotRequest) (store.ImportedRow, error) {
	item, err := store.Items.Get(ctx, u.Tx, req.GetLot().GetItem())
	if err != nil {
		return store.ImportedRow{}, err
	}
	amount, err := amountOf(req.GetQuantity(), item)
	return store.ImportedRow{
		Location: req.GetLocation(), Number: req.GetLot().GetManufacturerLot(), Amount: store.Quantity(amount, item.GetBaseUnitCode()).GetValue(),
		UseBy: resource.DateText(req.GetLot().GetUseByDate()), Made: resource.DateText(req.GetLot().GetManufactureDate()),
	}, err
}

// repeated refuses a row that says the same as one above it in the table, however its amount is written: a line that was pasted twice looks like
// two cans in two lines, and only who counted knows which it is. A row_id of each says that they are two. Reason: ROW_REPEATED.
func (u unit) repeated(r sheet.Record, req *consumablesv1.ReceiveLotRequest, asked store.ImportedRow) error {
	lot := req.GetLot()
	says := fmt.Sprintf("%q", []string{
		lot.GetItem(), asked.Location, asked.Number, asked.Amount, asked.UseBy, asked.Made, lot.GetCureQuarter(), lot.GetSupplier(), lot.GetCertificate().GetNumber(),
		lot.GetCertificate().GetContentSha256(), req.GetLotId(), r.Get("row_id").Text,
	})
	line, before := u.stated[says]
	if !before {
		u.stated[says] = r.Line
		return nil
	}
	return fault.Precondition("ROW_REPEATED",
		"This row says the same as row %d. Leave one out if it was entered twice. If both are there, write one row with the sum, or give each another row_id.", line).
		With("row", strconv.Itoa(line))
}

// importedBefore refuses a row that an earlier import booked, so that a table that is sent again doubles nothing: of a manufacturer's lot at
// a place whatever its amount, for that is stated once; of what has no number, a row that says the same. Rows of this import are not meant.
// Reason: ROW_IMPORTED_BEFORE.
func (u unit) importedBefore(ctx context.Context, item string, asked store.ImportedRow) error {
	rows, read := u.imported[item]
	if !read {
		var err error
		if rows, err = store.Imported(ctx, u.Tx, item); err != nil {
			return err
		}
		u.imported[item] = rows
	}
	for _, row := range rows {
		if row.Same(asked) {
			return fault.Precondition("ROW_IMPORTED_BEFORE", "An earlier import booked this row as %s (%s). Leave it out, or reverse that movement first.", row.Lot, row.Movement).
				With("lot", row.Lot)
		}
	}
	return nil
}

// named is a resource name from an id or from the name itself.
func named(collection, id string) string {
	if strings.HasPrefix(id, collection) {
		return id
	}
	return collection + id
}

// checkID refuses what the contract does not take as an id. Reason: FIELD_INVALID.
func checkID(id string) error {
	for i, c := range id {
		letter, other := c >= 'a' && c <= 'z', c >= '0' && c <= '9' || c == '-' && i < len(id)-1
		if i >= 63 || !letter && (i == 0 || !other) {
			return fault.Invalid("id", "FIELD_INVALID", "%.80q is not an id: lower-case letters, digits and hyphens, first a letter, at most 63. Correct it.", id)
		}
	}
	return nil
}

// wholes reads cells of whole numbers; a blank one is 0. Less than none of days, or more than a few lifetimes, is a slip that would leave an item
// without a life. Reason: FIELD_INVALID.
func wholes(r sheet.Record, into map[string]*int32) error {
	for _, name := range slices.Sorted(maps.Keys(into)) {
		text := r.Get(name).Text
		if text == "" {
			continue
		}
		n, err := strconv.ParseInt(text, 10, 32)
		if err != nil || n < 0 || n > mostWhole {
			return fault.Invalid(name, "FIELD_INVALID", "%.40q in column %s is not between 0 and %d. Correct it, or leave the cell empty.", text, name, mostWhole)
		}
		*into[name] = int32(n)
	}
	return nil
}

// mostWhole is the most days, months or hours of a life that a table may say.
const mostWhole = 36_500

func yes(r sheet.Record, name string) bool { return r.Get(name).Text == "true" }

// parts are the texts of a cell, parted by semicolons.
func parts(r sheet.Record, name string) []string {
	var out []string
	for p := range strings.SplitSeq(r.Get(name).Text, ";") {
		if p = strings.TrimSpace(p); p != "" {
			out = append(out, p)
		}
	}
	return out
}

func day(r sheet.Record, name string) *date.Date {
	t, err := time.Parse(time.DateOnly, r.Get(name).Text)
	if err != nil {
		return nil // a blank cell; every other was read as a date
	}
	return &date.Date{Year: int32(t.Year()), Month: int32(t.Month()), Day: int32(t.Day())}
}
