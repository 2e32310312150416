package app

import (
	"slices"

	commonv1 "coldsection.example/proto/coldsection/common/v1"
	consumablesv1 "coldsection.example/proto/coldsection/consumables/v1"
	"coldsection.example/services/consumables/internal/stock"
	"coldsection.example/services/platform/fault"
)

// amountOf is the quantity of a request, or of what is on record, in ledger units of its item.
func amountOf(q *commonv1.Quantity, item *consumablesv1.Item) (stock.Micro, error) {
	return amountAt("quantity", q, item)
}

// amountAt is amountOf for a quantity that has another name in the request.
func amountAt(field string, q *commonv1.Quantity, item *consumablesv1.Item) (stock.Micro, error) {
	amount, err := stock.FromQuantity(q.GetValue(), q.GetUnitCode(), item.GetBaseUnitCode())
	return amount, placed(field+".", err)
}

// placed says where in the request an amount stands that was refused: which of its values was, the rules of amounts know, and not what it belongs to.
func placed(prefix string, err error) error {
	f, ok := fault.As(err)
	if !ok || f.Category != fault.InvalidArgument {
		return err
	}
	where := *f
	where.Violations = slices.Clone(f.Violations)
	for i, v := range where.Violations {
		if v.Field == "value" || v.Field == "unit_code" {
			where.Violations[i].Field = prefix + v.Field
		}
	}
	return &where
}
