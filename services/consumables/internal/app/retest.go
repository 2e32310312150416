package app

import (
	"cmp"
	"context"
	"fmt"
	"maps"
	"slices"
	"strings"
	"time"

	"google.golang.org/genproto/googleapis/type/date"

	consumablesv1 "coldsection.example/proto/coldsection/consumables/v1"
	"coldsection.example/services/consumables/internal/store"
	"coldsection.example/services/platform/storage"
)

// untested says why the newest test of a water lot does not count at an instant; every other lot passes. A test that can't be
// read counts as none.
func (u unit) untested(ctx context.Context, lot *consumablesv1.Lot, item *consumablesv1.Item, at time.Time) (reason, why string) {
	if item.GetKind() != consumablesv1.Item_WATER || item.GetWaterGrade() == "" && lot.GetProductionRun() == "" {
		return "", ""
	}
	if lot.GetLatestWaterTest() == "" {
		return "WATER_NOT_TESTED", fmt.Sprintf("Water lot %s was not tested for %s. Record a test first.", lot.GetName(), cmp.Or(item.GetWaterGrade(), "any grade"))
	}
	test, err := store.WaterTests.Get(ctx, u.Tx, lot.GetLatestWaterTest())
	switch days := item.GetWaterRetestDays(); {
	case err != nil || test.GetVerdict() != consumablesv1.WaterTest_PASSED:
		return "WATER_TEST_FAILED", fmt.Sprintf("The newest test of water lot %s did not pass. Test again, or dispose of it.", lot.GetName())
	case test.GetDoubtReason() != "":
		return "WATER_TEST_DOUBTED", fmt.Sprintf("The newest test of water lot %s counts no longer: %s Test it with another meter.", lot.GetName(), test.GetDoubtReason())
	case days > 0 && at.After(test.GetTestTime().AsTime().AddDate(0, 0, int(days))):
		return "WATER_RETEST_DUE", fmt.Sprintf("Water lot %s was last tested at %s and is tested again after %d days. Record a test first.",
			lot.GetName(), test.GetTestTime().AsTime().Format("2006-01-02 15:04Z"), days)
	default:
		return "", ""
	}
}

// MeterDoubted takes back what a meter passed since its last good calibration: those tests count no longer, and usable lots
// that rest on one of them are held with all that came from them. Without an earlier calibration all its tests are in doubt.
func (a *App) MeterDoubted(ctx context.Context, tx *storage.Tx, meter string, since *date.Date) error {
	u := a.unit(ctx, tx)
	tests, err := store.WaterTests.Where(ctx, tx, "meter = $1 AND verdict = 'PASSED' AND test_time >= $2 ORDER BY test_time, name", meter, startOf(since))
	if err != nil {
		return err
	}
	fact := &consumablesv1.MeterDoubted{Meter: meter, GoodCalibrationDate: since}
	doubted, lots := map[string]bool{}, map[string]bool{}
	for _, found := range tests {
		doubted[found.GetName()], lots[parentOf(found.GetName())] = true, true
		if found.GetRunSample() {
			run, err := store.ProductionRuns.Get(ctx, tx, found.GetProductionRun())
			if err != nil {
				return err
			}
			for _, name := range lotsOfRun(run) {
				lots[name] = true
			}
		}
		if err := u.doubt(ctx, found.GetName(), fact); err != nil {
			return err
		}
	}
	usable, err := store.Lots.Where(ctx, tx, "state = 'USABLE' AND item IN (SELECT name FROM items WHERE kind = 'WATER') ORDER BY name")
	if err != nil {
		return err
	}
	for _, lot := range usable { // a container rests on the test of the lot that it was filled from
		if doubted[lot.GetLatestWaterTest()] {
			lots[lot.GetName()] = true
		}
	}
	if err := u.doubtLots(ctx, slices.Sorted(maps.Keys(lots)), doubted, fact); err != nil {
		return err
	}
	fact.ReachedWorkOrders, fact.ReachedEngines = distinct(fact.GetReachedWorkOrders()), distinct(fact.GetReachedEngines())
	return u.publish(ctx, "coldsection.stock.meter.doubted.v1", meter, fact)
}

// startOf is the first instant of a civil day anywhere on earth, in microseconds; of no day, the beginning.
func startOf(day *date.Date) int64 {
	if day.GetYear() == 0 {
		return 0
	}
	return storage.Micros(time.Date(int(day.GetYear()), time.Month(day.GetMonth()), int(day.GetDay()), -14, 0, 0, 0, time.UTC))
}

// doubt takes one test back.
func (u unit) doubt(ctx context.Context, name string, fact *consumablesv1.MeterDoubted) error {
	test, err := store.WaterTests.Lock(ctx, u.Tx, name)
	if err != nil {
		return err
	}
	test.DoubtReason = fact.GetMeter() + " was found out of tolerance."
	fact.WaterTests = append(fact.WaterTests, name)
	return store.WaterTests.Save(ctx, u.Tx, test, u.now)
}

// doubtLots doubts each of the lots, and then what was made of those that are empty or whose life ended.
func (u unit) doubtLots(ctx context.Context, names []string, doubted map[string]bool, fact *consumablesv1.MeterDoubted) error {
	for _, name := range names {
		if err := u.doubtLot(ctx, name, doubted, fact); err != nil {
			return err
		}
	}
	for _, name := range names {
		lot, err := store.Lots.Get(ctx, u.Tx, name)
		if err != nil {
			return err
		}
		if doubted[lot.GetLatestWaterTest()] && lot.GetState() != consumablesv1.Lot_HELD {
			if err := u.holdMade(ctx, lot, "its newest water test counts no longer"); err != nil {
				return err
			}
		}
	}
	return nil
}

// doubtLot adds what a lot reached to the fact, and holds it when it is usable and its newest test is one of the doubted.
func (u unit) doubtLot(ctx context.Context, name string, doubted map[string]bool, fact *consumablesv1.MeterDoubted) error {
	jobs, fleet, err := u.reached(ctx, name)
	if err != nil {
		return err
	}
	fact.ReachedWorkOrders, fact.ReachedEngines = append(fact.GetReachedWorkOrders(), jobs...), append(fact.GetReachedEngines(), fleet...)
	lot, err := store.Lots.Lock(ctx, u.Tx, name)
	if err != nil || !doubted[lot.GetLatestWaterTest()] {
		return err
	}
	if lot.GetHeldOrigin() != "" || lot.GetState() == consumablesv1.Lot_USABLE {
		fact.HeldLots = append(fact.GetHeldLots(), name)
	}
	if lot.GetState() != consumablesv1.Lot_USABLE {
		return nil
	}
	reason := testDoubted + fact.GetMeter() + " was found out of tolerance."
	if err := u.hold(ctx, lot, reason); err != nil {
		return err
	}
	return u.lotFact(ctx, "held", lot, lot.GetOnHand(), reason)
}

// parentOf is the lot of a test, lots/{lot}/waterTests/{water_test}.
func parentOf(test string) string {
	lot, _, _ := strings.Cut(test, "/waterTests/")
	return lot
}
