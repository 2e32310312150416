package app

import (
	"context"
	"fmt"
	"slices"
	"time"

	"google.golang.org/genproto/googleapis/type/date"

	consumablesv1 "coldsection.example/proto/coldsection/consumables/v1"
	"coldsection.example/services/consumables/internal/stock"
	"coldsection.example/services/consumables/internal/store"
	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/idempotency"
	"coldsection.example/services/platform/resource"
	"coldsection.example/services/platform/storage"
)

// CreateProductionRun books a run of a still or deioniser with the lots that its water was filled into, which are held until a
// test passed.
func (a *App) CreateProductionRun(ctx context.Context, req *consumablesv1.CreateProductionRunRequest) (*consumablesv1.ProductionRun, error) {
	return idempotency.Execute(ctx, a.DB, a.Clock, req, func(ctx context.Context, tx *storage.Tx) (*consumablesv1.ProductionRun, error) {
		u, run := a.unit(ctx, tx), req.GetProductionRun()
		resource.ClearOutputOnly(run)
		item, err := store.Items.Lock(ctx, tx, run.GetItem()) // one run after the other
		if err != nil {
			return nil, err
		}
		if item.GetKind() != consumablesv1.Item_WATER {
			return nil, fault.Invalid("production_run.item", "ITEM_NOT_WATER", "%s is %s; a still or deioniser makes an item of kind WATER. Name the item of the water.",
				item.GetName(), item.GetKind())
		}
		if err := u.mayRun(ctx, run); err != nil {
			return nil, err
		}
		run.Name, run.Operator = a.newName("productionRuns", req.GetProductionRunId()), who(u.caller)
		if err := u.fillRun(ctx, run, item); err != nil {
			return nil, err
		}
		if err := store.ProductionRuns.Insert(ctx, tx, run, u.now); err != nil {
			return nil, err
		}
		fact := &consumablesv1.WaterProduced{ProductionRun: run.GetName(), Equipment: run.GetEquipment(), Item: run.GetItem(), Volume: run.GetVolume()}
		for _, o := range run.GetOutputs() {
			fact.Lots = append(fact.Lots, o.GetLot())
		}
		return run, u.publish(ctx, "coldsection.stock.water.produced.v1", run.GetName(), fact)
	})
}

// mayRun refuses a run that can't have been. Reasons: RUN_TIMES_REVERSED, TIME_IN_FUTURE, RUN_OVERLAPS.
func (u unit) mayRun(ctx context.Context, run *consumablesv1.ProductionRun) error {
	if _, err := u.happened("production_run.end_time", run.GetEndTime()); err != nil {
		return err
	}
	for _, c := range run.GetPartChanges() {
		if _, err := u.happened("production_run.part_changes.change_time", c.GetChangeTime()); err != nil {
			return err
		}
	}
	start, end := run.GetStartTime().AsTime(), run.GetEndTime().AsTime()
	if !start.Before(end) {
		return fault.Invalid("production_run.end_time", "RUN_TIMES_REVERSED", "The run can't have ended at %s when it began at %s. Correct its times.",
			end.Format(time.RFC3339), start.Format(time.RFC3339))
	}
	others, err := store.ProductionRuns.Where(ctx, u.Tx, "equipment = $1 AND start_time < $2 AND end_time > $3 ORDER BY name",
		run.GetEquipment(), storage.Micros(end), storage.Micros(start))
	if err != nil || len(others) == 0 {
		return err
	}
	return fault.Precondition("RUN_OVERLAPS", "%s made %s from %s to %s and can't have made another run at that time. Correct the times, or the equipment.", run.GetEquipment(),
		others[0].GetName(), others[0].GetStartTime().AsTime().Format(time.RFC3339), others[0].GetEndTime().AsTime().Format(time.RFC3339)).With("production_run", others[0].GetName())
}

// fillRun makes a lot of each container that the run was filled into. Reason: RUN_VOLUME_EXCEEDED.
func (u unit) fillRun(ctx context.Context, run *consumablesv1.ProductionRun, item *consumablesv1.Item) error {
	volume, err := amountAt("production_run.volume", run.GetVolume(), item)
	if err != nil {
		return err
	}
	var filled stock.Micro
	for i, o := range run.GetOutputs() {
		amount, err := amountAt(fmt.Sprintf("production_run.outputs[%d].quantity", i), o.GetQuantity(), item)
		if err != nil {
			return err
		}
		if filled += amount; filled > volume {
			return fault.Invalid("production_run.outputs", "RUN_VOLUME_EXCEEDED", "%s %s was filled of a run that made %s. Measure again.",
				filled.Text(), item.GetBaseUnitCode(), volume.Text())
		}
		if o.Lot, err = u.produced(ctx, run, o, item, amount); err != nil {
			return err
		}
	}
	return nil
}

// produced makes the lot of one container of a run, as of the end of the run.
func (u unit) produced(ctx context.Context, run *consumablesv1.ProductionRun, o *consumablesv1.RunOutput, item *consumablesv1.Item, amount stock.Micro) (string, error) {
	place, err := store.Locations.Get(ctx, u.Tx, o.GetLocation())
	if err != nil {
		return "", err
	}
	zone, err := u.zoneOf(ctx, place.GetName())
	if err != nil {
		return "", err
	}
	made := run.GetEndTime().AsTime().In(zone)
	lot, err := u.addLot(ctx, &consumablesv1.Lot{
		Name: u.app.newName("lots", o.GetLotId()), Item: item.GetName(), State: consumablesv1.Lot_HELD, HoldReason: untestedRun, BlockTime: run.GetEndTime(),
		ProductionRun:   run.GetName(),
		ManufactureDate: &date.Date{Year: int32(made.Year()), Month: int32(made.Month()), Day: int32(made.Day())},
	}, item, place.GetName(), mixed{})
	if err != nil {
		return "", err
	}
	m := u.movement(consumablesv1.StockMovement_RECEIVED, lot, amount, item.GetBaseUnitCode())
	m.Reason, m.EffectiveTime = "Made by "+run.GetName(), run.GetEndTime()
	if err := u.post(ctx, m, item, transfer(lot.GetName(), store.Supplier, place.GetName(), amount)); err != nil {
		return "", err
	}
	if lot, err = u.addReceived(ctx, lot.GetName(), amount, item); err != nil {
		return "", err
	}
	return lot.GetName(), u.lotFact(ctx, "received", lot, m.GetQuantity(), "")
}

// testsRun books a test with the run that made the lot. A sample of the run counts for all its lots; a failed one holds them.
// Reason: RUN_UNKNOWN.
func (u unit) testsRun(ctx context.Context, test *consumablesv1.WaterTest, lot *consumablesv1.Lot) error {
	if lot.GetProductionRun() == "" {
		if test.GetRunSample() {
			return fault.Invalid("water_test.run_sample", "RUN_UNKNOWN", "Lot %s was made by no production run that is on record, so the sample is of the lot alone. Leave it out.", lot.GetName())
		}
		return nil
	}
	run, err := store.ProductionRuns.Lock(ctx, u.Tx, lot.GetProductionRun())
	if err != nil {
		return err
	}
	test.ProductionRun = run.GetName()
	run.WaterTests, run.Verdict, run.ConductivityUsCm = append(run.GetWaterTests(), test.GetName()), test.GetVerdict(), test.GetConductivityUsCm()
	if err := store.ProductionRuns.Save(ctx, u.Tx, run, u.now); err != nil || !test.GetRunSample() {
		return err
	}
	for _, name := range lotsOfRun(run) {
		if name == lot.GetName() {
			continue
		}
		sister, err := store.Lots.Lock(ctx, u.Tx, name)
		if err != nil {
			return err
		}
		if err := u.countsFor(ctx, test, sister); err != nil {
			return err
		}
	}
	return nil
}

// lockTested locks what a test changes in one order for all, so that no two tests wait for each other: the run that made the lot,
// and then the lot, or for a sample of the run all its lots by name.
func (u unit) lockTested(ctx context.Context, name string, ofRun bool) (*consumablesv1.Lot, *consumablesv1.Item, error) {
	lot, err := store.Lots.Get(ctx, u.Tx, name)
	if err != nil {
		return nil, nil, err
	}
	if lot.GetProductionRun() != "" {
		run, err := store.ProductionRuns.Lock(ctx, u.Tx, lot.GetProductionRun())
		if err != nil {
			return nil, nil, err
		}
		for _, sister := range lotsOfRun(run) {
			if !ofRun {
				break
			}
			if _, err := store.Lots.Lock(ctx, u.Tx, sister); err != nil {
				return nil, nil, err
			}
		}
	}
	return u.lockLot(ctx, name, "")
}

// lotsOfRun are the lots that a run was filled into, in one order, so that no two wait for each other.
func lotsOfRun(run *consumablesv1.ProductionRun) []string {
	var names []string
	for _, o := range run.GetOutputs() {
		names = append(names, o.GetLot())
	}
	slices.Sort(names)
	return names
}
