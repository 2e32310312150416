package app

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"time"

	"google.golang.org/genproto/googleapis/type/date"

	consumablesv1 "coldsection.example/proto/coldsection/consumables/v1"
	"coldsection.example/services/consumables/internal/store"
)

// Why water is held for its tests.
const (
	untestedRun   = "Waits for the test of its run"
	testFailed    = "Its newest water test failed"
	testDoubted   = "Its newest water test counts no longer: "
	testPassedNow = "Its newest water test passed; it waits to be cleared"
)

// testedInItsLife refuses a test of water that was not there yet: of a run before the run began, of a container before it was filled, of a
// delivery before the day on which it was made or, where that is not known, came in. Reason: TIME_BEFORE_LOT.
func (u unit) testedInItsLife(ctx context.Context, lot *consumablesv1.Lot, at time.Time) error {
	began := lot.GetCreateTime().AsTime()
	switch made := lot.GetManufactureDate(); {
	case lot.GetProductionRun() != "" && len(lot.GetParents()) == 0:
		run, err := store.ProductionRuns.Get(ctx, u.Tx, lot.GetProductionRun())
		if err != nil {
			return err
		}
		began = run.GetStartTime().AsTime()
	case len(lot.GetParents()) > 0:
		first, err := store.FirstMoved(ctx, u.Tx, lot.GetName())
		if err != nil {
			return err
		}
		began = first
	case made != nil:
		began = time.UnixMicro(startOf(made))
	default:
		began = time.UnixMicro(startOf(&date.Date{Year: int32(began.Year()), Month: int32(began.Month()), Day: int32(began.Day())}))
	}
	if at.Before(began) {
		return tooEarly("water_test.test_time", lot.GetName(), at, began)
	}
	return nil
}

// countsFor makes a test the newest of a lot, and holds the lot when it failed, or what was made of it where nothing of the lot can be held. One that
// passed does not take the place of one that was made after it.
func (u unit) countsFor(ctx context.Context, test *consumablesv1.WaterTest, lot *consumablesv1.Lot) error {
	passed := test.GetVerdict() == consumablesv1.WaterTest_PASSED
	if passed && lot.GetLatestWaterTest() != "" {
		before, err := store.WaterTests.Get(ctx, u.Tx, lot.GetLatestWaterTest())
		if err != nil || before.GetTestTime().AsTime().After(test.GetTestTime().AsTime()) {
			return err
		}
	}
	lot.LatestWaterTest = test.GetName()
	switch held := lot.GetState() == consumablesv1.Lot_HELD; {
	case !passed && lot.GetState() == consumablesv1.Lot_USABLE:
		return u.hold(ctx, lot, testFailed)
	case !passed && held:
		lot.HoldReason = testFailed
	case !passed:
		if err := u.holdMade(ctx, lot, "its newest water test failed"); err != nil {
			return err
		}
	case passed && held && heldForTests(lot):
		lot.HoldReason = testPassedNow
	}
	return store.Lots.Save(ctx, u.Tx, lot, u.now)
}

// holdMade holds what was made of a lot that is empty or whose life ended, and which is doubtful all the same: each is cleared by itself, as the lot
// is not.
func (u unit) holdMade(ctx context.Context, lot *consumablesv1.Lot, doubt string) error {
	names, err := u.descendants(ctx, lot.GetName())
	if err != nil {
		return err
	}
	why := fmt.Sprintf("It came from %s: %s", lot.GetName(), doubt)
	for _, name := range names[1:] {
		made, err := store.Lots.Lock(ctx, u.Tx, name)
		if err != nil {
			return err
		}
		if made.GetState() != consumablesv1.Lot_USABLE {
			continue
		}
		if err := u.hold(ctx, made, why); err != nil {
			return err
		}
		if err := u.lotFact(ctx, "held", made, made.GetOnHand(), why); err != nil {
			return err
		}
	}
	return nil
}

// heldForTests reports whether a held lot waits for nothing but a test.
func heldForTests(lot *consumablesv1.Lot) bool {
	return slices.Contains([]string{untestedRun, testFailed}, lot.GetHoldReason()) || strings.HasPrefix(lot.GetHoldReason(), testDoubted)
}
