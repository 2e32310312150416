package server_test

import (
	"strings"
	"testing"

	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/types/known/timestamppb"

	commonv1 "coldsection.example/proto/coldsection/common/v1"
	consumablesv1 "coldsection.example/proto/coldsection/consumables/v1"
	"coldsection.example/services/platform/fault"
)

// A refused amount is named where it stands in the request, whatever it is called there, so that a form can mark the field that is to be corrected.
func TestARefusedAmountIsNamedWhereItStands(t *testing.T) {
	desks(t, func(t *testing.T, d desk) {
		d.ingredients()
		d.kitted(order)
		lot, pieces := "lots/cln", d.stocked("o-ring", "seals", "10", days(200)).GetName()
		kilos, none, half := &commonv1.Quantity{Value: "1", UnitCode: "kg"}, litres("0"), &commonv1.Quantity{Value: "0.5", UnitCode: "{each}"}
		mixed := func(change func(*consumablesv1.BlendLotsRequest)) error {
			req := batch(order)
			change(req)
			_, err := d.blend(req)
			return err
		}
		counted := &consumablesv1.CreateStockCountRequest{StockCount: &consumablesv1.StockCount{Lot: lot, Location: shelf, Counted: kilos}}
		item := of(d.GetItem(d.clerk(), &consumablesv1.GetItemRequest{Name: "items/cleaner"})).done(t)
		packed := func(change func(*consumablesv1.Item)) error { _, err := d.changed(change); return err }
		for field, err := range map[string]error{
			"parts[1].quantity.unit_code":   mixed(func(r *consumablesv1.BlendLotsRequest) { r.Parts[1].Quantity = kilos }),
			"parts[0].quantity.value":       mixed(func(r *consumablesv1.BlendLotsRequest) { r.Parts[0].Quantity = none }),
			"output.unit_code":              mixed(func(r *consumablesv1.BlendLotsRequest) { r.Output = kilos }),
			"output.value":                  mixed(func(r *consumablesv1.BlendLotsRequest) { r.Output = none }),
			"quantity.unit_code":            second(d.DecantStock(d.clerk(), &consumablesv1.DecantStockRequest{Name: lot, Quantity: kilos})),
			"quantity.value":                second(d.MoveStock(d.clerk(), &consumablesv1.MoveStockRequest{Name: pieces, Quantity: half, SourceLocation: shelf, TargetLocation: "locations/back"})),
			"quantity_unit_code":            second(d.SuggestLots(d.clerk(), &consumablesv1.SuggestLotsRequest{Item: item.GetName(), QuantityValue: "1", QuantityUnitCode: "kg"})),
			"quantity_value":                second(d.SuggestLots(d.clerk(), &consumablesv1.SuggestLotsRequest{Item: item.GetName(), QuantityValue: "0", QuantityUnitCode: "L"})),
			"stock_count.counted.unit_code": second(d.CreateStockCount(d.clerk(), counted)),
			"item.pack_sizes[1].quantity.value": packed(func(i *consumablesv1.Item) {
				i.PackSizes = []*consumablesv1.PackSize{{DisplayName: "can", Quantity: litres("5")}, {DisplayName: "none", Quantity: none}}
			}),
			"item.reorder_policy.max_quantity.unit_code": packed(func(i *consumablesv1.Item) {
				i.ReorderPolicy = &consumablesv1.ReorderPolicy{MinQuantity: litres("5"), MaxQuantity: kilos}
			}),
		} {
			f, ok := fault.As(err)
			if !ok || len(f.Violations) != 1 || f.Violations[0].Field != field {
				t.Errorf("%s: %v", field, err)
			}
		}
		_, err := d.ReserveStock(d.clerk(), &consumablesv1.ReserveStockRequest{
			WorkOrder: order, Item: item.GetName(), Quantity: kilos, NeedTime: timestamppb.New(days(1)),
		})
		if f, ok := fault.As(err); !ok || f.Violations[0].Field != "quantity.unit_code" || f.Reason != "UNIT_MISMATCH" {
			t.Errorf("reserved: %v", err)
		}
	})
}

func second[T any](_ T, err error) error { return err }

// An entry that can't be undone, as what it brought went on, says which entries stand in the way; and what is recalled is not told to be recalled.
func TestWhatCanNotBeUndoneSaysWhatComesFirst(t *testing.T) {
	desks(t, func(t *testing.T, d desk) {
		lot := d.stocked("cleaner", "l1", "5", days(200)).GetName()
		issue := d.issued("cleaner", lot, order, "2").GetName()
		of(d.back(issue, "0.5", "too much")).done(t)
		_, err := d.reverse(issue)
		refused(t, "of which some came back", err, "INSUFFICIENT_STOCK")
		want := issue + " brought 2 L of lots/l1 to " + order + ", and not all of it is there any more. Reverse what was booked with it since"
		if said := status.Convert(err).Message(); !strings.Contains(said, want) {
			t.Errorf("%q doesn't say %q", said, want)
		}
		d.recall(lot)
		_, err = d.HoldLot(d.clerk(), &consumablesv1.HoldLotRequest{Name: lot, Reason: "label torn"})
		refused(t, "held though it is recalled", err, "LOT_RECALLED")
		if said := status.Convert(err).Message(); !strings.Contains(said, "is RECALLED (maker's letter), which blocks it") || strings.Contains(said, "Recall it") {
			t.Errorf("said %q", said)
		}
	})
}
