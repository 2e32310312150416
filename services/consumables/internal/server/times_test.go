package server_test

import (
	"testing"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	consumablesv1 "coldsection.example/proto/coldsection/consumables/v1"
)

// testedAt is a passing test of a lot at another time than now.
func (d desk) testedAt(lot string, at time.Time) (*consumablesv1.WaterTest, error) {
	test := reading("4.9", "25")
	test.TestTime = timestamppb.New(at)
	return d.CreateWaterTest(d.clerk(), &consumablesv1.CreateWaterTestRequest{Parent: lot, WaterTest: test})
}

// Water that was not there yet was not tested: made by a run, filled over, or delivered.
func TestNoTestIsOlderThanItsWater(t *testing.T) {
	desks(t, func(t *testing.T, d desk) {
		d.keeps()
		of(d.run("r1", nil)).done(t)
		began := d.clock.Now().Add(-6 * time.Hour)
		_, err := d.testedAt("lots/r1-a", began.Add(-time.Second))
		refused(t, "before the run", err, "TIME_BEFORE_LOT")
		of(d.testedAt("lots/r1-a", began.Add(time.Minute))).done(t) // a sample while it ran
		_, err = d.testedAt("lots/r1-a", d.clock.Now().Add(2*time.Minute))
		refused(t, "in the future", err, "TIME_IN_FUTURE")

		bought := d.received("water", "w1", "20", days(60)).GetName()
		_, err = d.testedAt(bought, days(-2))
		refused(t, "before the day of its delivery", err, "TIME_BEFORE_LOT")
		of(d.testedAt(bought, d.clock.Now().Add(-time.Hour))).done(t) // on the dock, before it was booked in
		of(d.clear(bought)).done(t)
		d.clock.Advance(time.Hour)
		bottle := of(d.decant(bought, "2", "")).done(t).GetName()
		_, err = d.testedAt(bottle, d.clock.Now().Add(-time.Minute))
		refused(t, "before the bottle was filled", err, "TIME_BEFORE_LOT")
	})
}

// A failed test is not set aside by one that passed before it and is recorded after it, and the hold says what the newest test said.
func TestTheNewestTestIsTheOneMadeLast(t *testing.T) {
	desks(t, func(t *testing.T, d desk) {
		lot := d.stocked("water", "w1", "20", days(60)).GetName()
		d.clock.Advance(time.Hour)
		of(d.tested(lot, "5.1")).done(t)
		of(d.testedAt(lot, d.clock.Now().Add(-time.Minute))).done(t)
		_, err := d.clear(lot)
		refused(t, "cleared by an older test", err, "WATER_TEST_FAILED")
		if got := d.lot(lot).GetHoldReason(); got != "Its newest water test failed" {
			t.Errorf("held: %q", got)
		}
		d.clock.Advance(time.Minute)
		of(d.tested(lot, "4.9")).done(t)
		if got := d.lot(lot); got.GetState() != consumablesv1.Lot_HELD || got.GetHoldReason() != "Its newest water test passed; it waits to be cleared" {
			t.Errorf("%s: %q", got.GetState(), got.GetHoldReason())
		}
		of(d.clear(lot)).done(t)
		d.hold(lot)
		of(d.tested(lot, "4.9")).done(t)
		if got := d.lot(lot).GetHoldReason(); got != "looks cloudy" {
			t.Errorf("a test took the reason of a person away: %q", got)
		}
	})
}

// A probe in air shows nothing, and nothing is less than water itself conducts.
func TestADryProbePassesNoWater(t *testing.T) {
	desks(t, func(t *testing.T, d desk) {
		lot := d.received("water", "w1", "20", days(60)).GetName()
		for _, shown := range []string{"0", "0.0", "0.05", "-0.1"} {
			_, err := d.tested(lot, shown)
			refused(t, shown, err, "READING_IMPLAUSIBLE")
		}
		if got := d.lot(lot).GetLatestWaterTest(); got != "" {
			t.Errorf("kept %s", got)
		}
	})
}

// Nothing of a lot was handed out, used or counted before it came in.
func TestNothingHappensToALotBeforeItCameIn(t *testing.T) {
	desks(t, func(t *testing.T, d desk) {
		d.clock.Advance(time.Hour)
		lot := d.stocked("cleaner", "l1", "5", days(200)).GetName()
		early, since := timestamppb.New(morning.AddDate(-1, 0, 0)), timestamppb.New(d.clock.Now())
		d.clock.Advance(time.Hour)
		d.needs(order, "cleaner", "1")
		issue := func(at *timestamppb.Timestamp) error {
			_, err := d.IssueStock(d.clerk(), &consumablesv1.IssueStockRequest{Name: lot, WorkOrder: order, Quantity: litres("1"), EffectiveTime: at})
			return err
		}
		use := func(at *timestamppb.Timestamp) error {
			_, err := d.ConsumeStock(d.as("tina", "technician"), &consumablesv1.ConsumeStockRequest{
				Name: lot, WorkOrder: order, Engine: "engines/e1", Quantity: litres("1"), EffectiveTime: at,
			})
			return err
		}
		refused(t, "issued a year before", issue(early), "TIME_BEFORE_LOT")
		if err := issue(since); err != nil {
			t.Fatal(err)
		}
		refused(t, "used a year before", use(early), "TIME_BEFORE_LOT")
		if err := use(since); err != nil {
			t.Error(err)
		}
		_, err := d.count(lot, "4", early.AsTime())
		refused(t, "counted a year before", err, "TIME_BEFORE_LOT")
	})
}

// The caller may shorten the life of a mix and never lengthen it beyond what the cleaner keeps once it is mixed.
func TestNoMixKeepsLongerThanItsCleaner(t *testing.T) {
	desks(t, func(t *testing.T, d desk) {
		d.ingredients()
		d.kitted(order)
		req := batch(order)
		for _, hours := range []int32{9, 1000} {
			req.PotLifeHours = hours
			_, err := d.blend(req)
			refused(t, "longer than the cleaner", err, "POT_LIFE_EXCEEDED")
		}
		req.PotLifeHours = 4
		if mix := of(d.blend(req)).done(t); !mix.GetExpireTime().AsTime().Equal(d.clock.Now().Add(4 * time.Hour)) {
			t.Errorf("usable until %s", mix.GetExpireTime().AsTime())
		}
	})
}
