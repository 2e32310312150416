package server_test

import (
	"context"
	"testing"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/protobuf/types/known/timestamppb"

	consumablesv1 "coldsection.example/proto/coldsection/consumables/v1"
	"coldsection.example/services/platform/storage"
)

// changes are the calls that change stores, by method; each prepares what it needs and returns the call itself.
func changes() map[string]func(d desk) func() error {
	ready := func(d desk) string { return d.stocked("cleaner", "l1", "5", days(200)).GetName() }
	did := func(_ any, err error) error { return err }
	return map[string]func(d desk) func() error{
		"CreateItem": func(d desk) func() error {
			return func() error {
				return did(d.CreateItem(d.clerk(), &consumablesv1.CreateItemRequest{Item: &consumablesv1.Item{DisplayName: "Rag", Kind: consumablesv1.Item_OTHER, BaseUnitCode: "{each}"}}))
			}
		},
		"UpdateItem": func(d desk) func() error {
			item := of(d.GetItem(d.clerk(), &consumablesv1.GetItemRequest{Name: "items/ready"})).done(d.t)
			item.DisplayName = "Ready to use"
			return func() error { return did(d.UpdateItem(d.clerk(), &consumablesv1.UpdateItemRequest{Item: item})) }
		},
		"ImportStock": func(d desk) func() error {
			return func() error {
				return imported("item,quantity,unit,location,use_by_date\ncleaner,5,L,shelf,2027-06-30\n")(d.t.(*testing.T), d)
			}
		},
		"CreateLocation": func(d desk) func() error { return func() error { d.cage(); return nil } },
		"ReceiveLot": func(d desk) func() error {
			return func() error { d.received("cleaner", "l1", "5", days(9)); return nil }
		},
		"CreateWaterTest": func(d desk) func() error {
			lot := d.received("water", "w1", "5", days(9)).GetName()
			return func() error { return did(d.tested(lot, "4.9")) }
		},
		"ClearLot": func(d desk) func() error {
			lot := d.received("cleaner", "l1", "5", days(9)).GetName()
			return func() error { return did(d.clear(lot)) }
		},
		"RecordLotDocuments": func(d desk) func() error {
			lot := d.received("cleaner", "documented", "5", days(200)).GetName()
			return func() error {
				_, err := d.RecordLotDocuments(d.clerk(), &consumablesv1.RecordLotDocumentsRequest{
					Name: lot, Reason: "came by mail", Certificate: &consumablesv1.Certificate{Number: "C-late"},
				})
				return err
			}
		},
		"HoldLot": func(d desk) func() error { lot := ready(d); return func() error { d.hold(lot); return nil } },
		"RecallLot": func(d desk) func() error {
			lot := ready(d)
			return func() error {
				return did(d.RecallLot(d.clerk(), &consumablesv1.RecallLotRequest{Name: lot, Reason: "maker's letter"}))
			}
		},
		"WithdrawRecall": func(d desk) func() error {
			lot := ready(d)
			of(d.RecallLot(d.clerk(), &consumablesv1.RecallLotRequest{Name: lot, Reason: "another maker's letter"})).done(d.t)
			return func() error { return did(d.withdraw(lot)) }
		},
		"IssueStock": func(d desk) func() error {
			lot := ready(d)
			d.needs(order, "cleaner", "1")
			return func() error { return did(d.issue(lot, order, "1")) }
		},
		"ReturnStock": func(d desk) func() error {
			out := d.issued("cleaner", ready(d), order, "1").GetName()
			return func() error { return did(d.back(out, "0.5", "left over")) }
		},
		"ReverseMovement": func(d desk) func() error {
			out := d.issued("cleaner", ready(d), order, "1").GetName()
			return func() error { return did(d.reverse(out)) }
		},
		"BlendLots": func(d desk) func() error {
			d.ingredients()
			d.kitted(order)
			return func() error { return did(d.blend(batch(order))) }
		},
		"ConsumeStock": func(d desk) func() error {
			lot := ready(d)
			d.issued("cleaner", lot, order, "1")
			return func() error { return did(d.use(lot, order, "engines/e1", "1")) }
		},
		"DecantStock": func(d desk) func() error {
			lot := ready(d)
			return func() error { return did(d.decant(lot, "1", "")) }
		},
		"MoveStock": func(d desk) func() error {
			lot := ready(d)
			return func() error {
				return did(d.MoveStock(d.clerk(), &consumablesv1.MoveStockRequest{Name: lot, Quantity: litres("1"), SourceLocation: shelf, TargetLocation: "locations/back"}))
			}
		},
		"DisposeStock": func(d desk) func() error {
			lot := ready(d)
			return func() error {
				return did(d.DisposeStock(d.clerk(), &consumablesv1.DisposeStockRequest{Name: lot, Quantity: litres("1"), Location: shelf, Reason: "spilt"}))
			}
		},
		"ReserveStock": func(d desk) func() error {
			ready(d)
			d.known(order)
			return func() error {
				return did(d.ReserveStock(d.clerk(), &consumablesv1.ReserveStockRequest{WorkOrder: order, Item: "items/cleaner", Quantity: litres("1"), NeedTime: timestamppb.New(days(1))}))
			}
		},
		"ReleaseReservation": func(d desk) func() error {
			ready(d)
			d.known(order)
			claim := of(d.ReserveStock(d.clerk(), &consumablesv1.ReserveStockRequest{
				WorkOrder: order, Item: "items/cleaner", Quantity: litres("1"), NeedTime: timestamppb.New(days(1)),
			})).done(d.t).GetName()
			return func() error {
				return did(d.ReleaseReservation(d.clerk(), &consumablesv1.ReleaseReservationRequest{Name: claim}))
			}
		},
		"CreateStockCount": func(d desk) func() error {
			lot := ready(d)
			return func() error { return did(d.count(lot, "4", d.clock.Now())) }
		},
		"ApproveStockCount": func(d desk) func() error {
			counted := of(d.count(ready(d), "4", d.clock.Now())).done(d.t).GetName()
			return func() error { return did(d.approve("dora", counted)) }
		},
		"CreateProductionRun": func(d desk) func() error { d.keeps(); return func() error { return did(d.run("r1", nil)) } },
		"CreateRecipe":        func(d desk) func() error { return func() error { return did(d.signedRecipe(washRecipe())) } },
		"ReviseRecipe": func(d desk) func() error {
			name := of(d.signedRecipe(washRecipe())).done(d.t).GetName()
			return func() error { return did(d.revisedRecipe(name, "", "again", washRecipe())) }
		},
		"CreateWaterGrade": func(d desk) func() error { return func() error { return did(d.signedGrade(ownGrade())) } },
		"ReviseWaterGrade": func(d desk) func() error {
			grade := of(d.signedGrade(ownGrade())).done(d.t)
			grade.Limits[0].Maximum = "0.5"
			return func() error {
				return did(d.ReviseWaterGrade(d.as("quinn", "quality"), &consumablesv1.ReviseWaterGradeRequest{
					Name: grade.GetName(), WaterGrade: grade, Reason: "stricter", ReauthenticationToken: d.proof("quinn"),
				}))
			}
		},
	}
}

// Every method that changes stores leaves a fact of it with who did it and when; one that nobody tries here fails.
func TestEveryChangeLeavesWhoAndWhen(t *testing.T) {
	tries := changes()
	for _, service := range []grpc.ServiceDesc{consumablesv1.ConsumablesService_ServiceDesc, consumablesv1.WaterService_ServiceDesc, consumablesv1.RecipeService_ServiceDesc} {
		for _, m := range service.Methods {
			try := tries[m.MethodName]
			if try == nil {
				t.Errorf("%s: nobody tries whether it leaves who and when", m.MethodName)
				continue
			}
			t.Run(m.MethodName, func(t *testing.T) {
				desks(t, func(t *testing.T, d desk) {
					call := try(d)
					before := len(d.told())
					d.clock.Advance(time.Minute)
					of(0, call()).done(t)
					facts := d.told()[before:]
					if len(facts) == 0 {
						t.Fatal("it leaves no fact")
					}
					for _, f := range facts {
						if f.actor == "" || f.at != storage.Micros(d.clock.Now()) {
							t.Errorf("%s is by %q at %d", f.typ, f.actor, f.at)
						}
					}
				})
			})
		}
	}
}

// fact is who a fact is by, and when it happened.
type fact struct {
	typ, actor string
	at         int64
}

// told are all facts so far, in order.
func (d desk) told() (facts []fact) {
	d.t.Helper()
	of(0, d.db.View(d.t.Context(), func(ctx context.Context, tx *storage.Tx) (err error) {
		facts, err = storage.Collect(ctx, tx, func(row storage.Scanner) (f fact, err error) {
			err = row.Scan(&f.typ, &f.actor, &f.at)
			return f, err
		}, "SELECT type, actor, event_time FROM outbox ORDER BY seq")
		return err
	})).done(d.t)
	return facts
}
