package store

import (
	"context"
	"slices"
	"strings"

	"google.golang.org/protobuf/proto"

	consumablesv1 "coldsection.example/proto/coldsection/consumables/v1"
	"coldsection.example/services/platform/resource"
	"coldsection.example/services/platform/storage"
)

// ByImport is the reason of the movements that an import of opening stock booked.
const ByImport = "Imported"

// ImportedRow is a row of opening stock that is in the books; the amount is in the item's base unit, days are YYYY-MM-DD.
type ImportedRow struct {
	Lot, Movement, Location, Number, Amount, UseBy, Made string
}

// Same reports whether two rows state the same stock: a manufacturer's lot at a place, or without a number all that they say.
func (r ImportedRow) Same(other ImportedRow) bool {
	if r.Location != other.Location || !strings.EqualFold(strings.TrimSpace(r.Number), strings.TrimSpace(other.Number)) {
		return false
	}
	return r.Number != "" || r.Amount == other.Amount && r.UseBy == other.UseBy && r.Made == other.Made
}

// Imported reads the rows of an item that imports booked and nobody reversed.
func Imported(ctx context.Context, tx *storage.Tx, item string) ([]ImportedRow, error) {
	rows, err := storage.Collect(ctx, tx, scanImported, `SELECT m.body, l.body FROM movements m JOIN lots l ON l.name = m.lot
		WHERE m.item = $1 AND m.kind = 'RECEIVED' ORDER BY m.create_time, m.name`, item)
	return slices.DeleteFunc(rows, func(r ImportedRow) bool { return r.Lot == "" }), err
}

// scanImported reads a receipt; of one that is no row of an import, or was reversed, nothing.
func scanImported(row storage.Scanner) (r ImportedRow, err error) {
	var movement, lot []byte
	if err := row.Scan(&movement, &lot); err != nil {
		return r, err
	}
	m, l := &consumablesv1.StockMovement{}, &consumablesv1.Lot{}
	if err := proto.Unmarshal(movement, m); err != nil || m.GetReason() != ByImport || m.GetReversalMovement() != "" {
		return r, err
	}
	if err := proto.Unmarshal(lot, l); err != nil {
		return r, err
	}
	r = ImportedRow{
		Lot: l.GetName(), Movement: m.GetName(), Number: l.GetManufacturerLot(), Amount: m.GetQuantity().GetValue(),
		UseBy: resource.DateText(l.GetUseByDate()), Made: resource.DateText(l.GetManufactureDate()),
	}
	for _, p := range m.GetPostings() {
		if p.GetLocation() != Supplier {
			r.Location = p.GetLocation()
		}
	}
	return r, nil
}
