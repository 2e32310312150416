package app

import (
	"context"
	"math"
	"time"

	"google.golang.org/genproto/googleapis/type/date"
	"google.golang.org/protobuf/types/known/timestamppb"

	commonv1 "coldsection.example/proto/coldsection/common/v1"
	compliancev1 "coldsection.example/proto/coldsection/compliance/v1"
	consumablesv1 "coldsection.example/proto/coldsection/consumables/v1"
	"coldsection.example/services/consumables/internal/store"
	"coldsection.example/services/consumables/internal/water"
	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/idempotency"
	"coldsection.example/services/platform/quantity"
	"coldsection.example/services/platform/storage"
)

// CreateWaterTest records readings of a water lot and judges them. The meter's calibration is asked of compliance for the
// civil day of the test, before the transaction; without an answer the test is refused.
func (a *App) CreateWaterTest(ctx context.Context, req *consumablesv1.CreateWaterTestRequest) (*consumablesv1.WaterTest, error) {
	test := req.GetWaterTest()
	if test.GetMeter() == "" {
		return nil, fault.Invalid("water_test.meter", "INSTRUMENT_MISSING", "A water test names the meter that it was read with. Add it.")
	}
	at := a.Clock.Now()
	if test.GetTestTime() != nil {
		at = test.GetTestTime().AsTime()
	}
	if at.After(a.Clock.Now().Add(time.Minute)) {
		return nil, fault.Invalid("water_test.test_time", "TIME_IN_FUTURE", "The test is dated in the future. Correct its time.")
	}
	if err := a.meterInCalibration(ctx, test.GetMeter(), at); err != nil {
		return nil, err
	}
	reading, err := readingOf(test)
	if err != nil {
		return nil, err
	}
	return idempotency.Execute(ctx, a.DB, a.Clock, req, func(ctx context.Context, tx *storage.Tx) (*consumablesv1.WaterTest, error) {
		return a.unit(ctx, tx).judge(ctx, req, reading, at)
	})
}

func (a *App) meterInCalibration(ctx context.Context, meter string, at time.Time) error {
	answer, err := a.Gates.CheckGates(ctx, &compliancev1.CheckGatesRequest{
		CivilDate: &date.Date{Year: int32(at.Year()), Month: int32(at.Month()), Day: int32(at.Day())}, Tools: []string{meter},
	})
	if err != nil {
		return fault.New(fault.Unavailable, "COMPLIANCE_UNREACHABLE", "The meter's calibration can't be checked now, so the test is not taken. Try again in a moment.").Because(err)
	}
	for _, r := range answer.GetResults() {
		if !r.GetOpen() {
			return meterRefused(r.GetReason(), r.GetExplanation()).With("meter", meter)
		}
	}
	return nil
}

// meterRefused is why a test is not taken that was read with a meter of which compliance says this.
func meterRefused(reason, explanation string) *fault.Error {
	if reason == "TOOL_UNKNOWN" {
		return fault.Precondition("INSTRUMENT_UNKNOWN", "Nobody knows the meter of this test: %s Name the one that it was read with, or have that entered in the tool crib.", explanation)
	}
	return fault.Precondition("INSTRUMENT_LAPSED", "The meter of this test may not be used: %s Read the water again with one that is in calibration on that day.", explanation)
}

func (u unit) judge(ctx context.Context, req *consumablesv1.CreateWaterTestRequest, reading water.Reading, at time.Time) (*consumablesv1.WaterTest, error) {
	test := req.GetWaterTest()
	lot, item, err := u.lockTested(ctx, req.GetParent(), test.GetRunSample())
	if err != nil {
		return nil, err
	}
	if err := u.testedInItsLife(ctx, lot, at); err != nil {
		return nil, err
	}
	if test.GetGrade() == "" {
		test.Grade = item.GetWaterGrade()
	}
	grade, err := u.gradeFor(ctx, test, lot, item)
	if err != nil {
		return nil, err
	}
	checks, how, passed, err := water.Judge(grade, reading)
	if err != nil {
		return nil, err
	}
	test.Checks, test.Verdict = nil, consumablesv1.WaterTest_FAILED
	if passed {
		test.Verdict = consumablesv1.WaterTest_PASSED
	}
	for _, c := range checks {
		test.Checks = append(test.Checks, &consumablesv1.WaterCheck{
			Property: c.Property, Value: c.Value, UnitCode: c.Unit, Limit: c.Limit, Met: c.Met, Explanation: c.Explanation, Source: grade.Source,
		})
	}
	test.Name, test.TestTime, test.DoubtReason, test.ProductionRun = u.app.newName(lot.GetName()+"/waterTests", req.GetWaterTestId()), timestamppb.New(at), "", ""
	test.Treatment = consumablesv1.WaterTest_Treatment(how)
	test.ConductivityUsCm, _, _ = reading.Referred()
	test.SolidsEstimateMinMgL, test.SolidsEstimateMaxMgL = water.SolidsEstimate(test.GetConductivityUsCm())
	if test.Tester = u.caller.Person; test.GetTester() == "" {
		test.Tester = u.caller.Account
	}
	if err := u.testsRun(ctx, test, lot); err != nil {
		return nil, err
	}
	if err := store.WaterTests.Insert(ctx, u.Tx, test, u.now); err != nil {
		return nil, err
	}
	if err := u.countsFor(ctx, test, lot); err != nil {
		return nil, err
	}
	return test, u.publish(ctx, "coldsection.stock.lot.tested.v1", lot.GetName(), &consumablesv1.LotChanged{
		Lot: lot.GetName(), Item: lot.GetItem(), State: lot.GetState().String(), Reason: test.GetVerdict().String(), Quantity: lot.GetOnHand(), WaterTest: test,
	})
}

func readingOf(test *consumablesv1.WaterTest) (r water.Reading, err error) {
	r.Compensated, r.Equilibrated = test.GetMeterCompensated(), test.GetEquilibrated()
	for _, f := range []struct {
		into    *float64
		entered *commonv1.Entered
		want    quantity.Dimension
		field   string
		scale   float64
	}{
		{&r.Conductivity, test.GetConductivity(), quantity.Conductivity, "conductivity", 1},
		{&r.Temperature, test.GetTemperature(), quantity.Temperature, "temperature", 1},
		{&r.PH, test.GetPh(), quantity.Acidity, "ph", 1},
		{&r.Silica, test.GetSilica(), quantity.Density, "silica", 1e6},
		{&r.Solids, test.GetDissolvedSolids(), quantity.Density, "dissolved_solids", 1e6},
	} {
		if *f.into = math.NaN(); f.entered == nil {
			continue
		}
		q, err := quantity.Typed(f.entered.GetText(), f.entered.GetUnitCode())
		if err != nil {
			return r, err
		}
		if q.Unit().Dimension != f.want {
			return r, fault.Invalid("water_test."+f.field, "UNIT_MISMATCH", "%s of water is not read in %q. Use a unit of %s.", f.field, q.Unit().Code, f.want)
		}
		*f.into = q.Canonical() * f.scale
	}
	return r, r.Validate()
}
