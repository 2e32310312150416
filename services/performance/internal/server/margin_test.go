package server_test

import (
	"fmt"
	"math"
	"math/rand/v2"
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	performancev1 "coldsection.example/proto/coldsection/performance/v1"
	"coldsection.example/services/performance/internal/cycle"
)

// worn are the readings of the invented engine A, one a day with 5 h each, as its dirt grows; hours count from 1,000.
type worn struct {
	days  int
	noise float64               // °C
	wear  func(day int) float64 // share of the gas-generator turbine's efficiency; nil is none
	dirt  func(day int) float64 // units: flow −3 %, efficiency −1 %
	slips map[int]int           // hours that the log says on a day, instead of those that were flown
}

func (b bench) fly(w worn) {
	b.t.Helper()
	got := of(b.ImportReadings(b.analyst(), &performancev1.ImportReadingsRequest{Csv: flightHeader + strings.Join(w.lines(b.t), "")})).done(b.t)
	if got.GetRowsTaken() != int32(w.days) || got.GetRowsHeld() > 0 {
		b.t.Fatalf("%v", got)
	}
}

const flightHeader = "engine_serial,time_utc,operating_hours_h,pressure_altitude_m,oat_c,airspeed_kt,torque_nm,propeller_speed_rpm,ng_pct,itt_c,fuel_flow_kg_h\n"

// lines are the readings as rows of a table.
func (w worn) lines(t testing.TB) (rows []string) {
	t.Helper()
	engine, err := cycle.New(cycle.Demonstration()[0])
	if err != nil {
		t.Fatal(err)
	}
	rng := rand.New(rand.NewPCG(4, 2))
	for day := range w.days {
		c := cycle.Standard(1000, 0, 10*math.Sin(float64(day)))
		c.PropellerSpeed = 1700
		d := w.dirt(day)
		health := cycle.Health{CompressorFlow: -0.03 * d, CompressorEfficiency: -0.01 * d}
		if w.wear != nil {
			health.GasGeneratorEfficiency, health.GasGeneratorFlow = -w.wear(day), w.wear(day)/2
		}
		p, err := engine.Solve(c, health, cycle.Power(0.8*engine.DesignPower()), cycle.Point{})
		if err != nil {
			t.Fatal(err)
		}
		flown := 1000 + 5*day
		if said, slipped := w.slips[day]; slipped {
			flown = said
		}
		rows = append(rows, fmt.Sprintf("DEMO-1,%s,%d,1000,%.4f,0,%.4f,1700,%.4f,%.3f,%.4f\n", dayOf(day, w.days).Format(time.RFC3339), flown, c.OAT, p.Torque(),
			p.Ng+w.noise/30*rng.NormFloat64(), p.ITT+w.noise*rng.NormFloat64(), p.Fuel*(1+w.noise/1000*rng.NormFloat64())))
	}
	return rows
}

func dayOf(day, days int) time.Time { return morning.AddDate(0, 0, day-days) }

func (b bench) washed(day, days int) {
	b.t.Helper()
	of(b.CreateEngineEvent(b.analyst(), &performancev1.CreateEngineEventRequest{Parent: engineName, EngineEvent: &performancev1.EngineEvent{
		Kind: performancev1.EngineEvent_RECOVERY_WASH, EventTime: timestamppb.New(dayOf(day, days).Add(-time.Hour)), OperatingHours: float64(1000 + 5*day),
	}})).done(b.t)
}

// rising is dirt that comes back after each wash, of which 70 % went off: 1.2 units in 60 days.
func rising(day int) float64 {
	if day < 60 {
		return 0.02 * float64(day)
	}
	return 0.36 + 0.02*float64(day-60)
}

// priced is the demonstration model with a hot reference, a reserve and prices. All invented.
func priced(m *performancev1.EngineModel) {
	m.Limits[0].MaxValue = 815
	m.ReferenceOatC, m.ReferencePropellerSpeedRpm, m.ReferenceTorqueNm = 35, 1700, 2900
	m.PowerCheck = &performancev1.PowerCheckData{ReserveC: 5, Document: paper("Power check")}
	m.Advice = &performancev1.AdviceRules{ProgrammeHours: 300, ProgrammeDays: 100, RinseDays: 30, FuelPricePerKg: 1.2, WashCost: 600, CostCurrencyCode: "EUR"}
	m.Noise = &performancev1.Noise{IttC: 2, NgPct: 0.07, FuelFlowPct: 0.2}
}

// truth is what the invented engine reads at the reference with this dirt.
func truth(t *testing.T, dirt float64) cycle.Point {
	t.Helper()
	engine, err := cycle.New(cycle.Demonstration()[0])
	if err != nil {
		t.Fatal(err)
	}
	c := cycle.Standard(0, 0, 20)
	c.PropellerSpeed = 1700
	p, err := engine.Solve(c, cycle.Health{CompressorFlow: -0.03 * dirt, CompressorEfficiency: -0.01 * dirt}, cycle.Power(2900*1700*2*math.Pi/60), cycle.Point{})
	if err != nil {
		t.Fatal(err)
	}
	return p
}

func TestTheMarginOfADirtyEngine(t *testing.T) {
	benches(t, func(t *testing.T, b bench) {
		b.withModel(priced)
		b.fly(worn{days: 40, noise: 2, dirt: func(int) float64 { return 1 }})
		got := of(b.ComputeMargin(b.as("technician"), &performancev1.ComputeMarginRequest{Name: engineName})).done(t)
		want := 815 - truth(t, 1).ITT
		if m := got.GetIttMarginC(); m.GetLower() > want || m.GetUpper() < want || m.GetCoveragePct() != 90 {
			t.Errorf("the margin is %+v, the engine model says %.2f", m, want)
		}
		near(t, "limit less what is expected", line(t, got.GetSteps(), "ITT limit").GetValue()-line(t, got.GetSteps(), "Expected ITT").GetValue(), got.GetIttMarginC().GetEstimate(), 1e-9)
		if got.GetVerdict() == performancev1.MarginVerdict_MARGIN_VERDICT_UNSPECIFIED || len(got.GetReasons()) == 0 || got.GetModelRevision() != 1 {
			t.Errorf("%v", got)
		}
		cool := of(b.ComputeMargin(b.analyst(), &performancev1.ComputeMarginRequest{Name: engineName, Reference: &performancev1.ReferenceCondition{Oat: in("59", "[degF]")}})).done(t)
		if cool.GetIttMarginC().GetEstimate() < got.GetIttMarginC().GetEstimate()+20 {
			t.Errorf("a cooler day leaves more: %v", cool.GetIttMarginC())
		}
		of(b.ComputeMargin(b.analyst(), &performancev1.ComputeMarginRequest{Name: engineName, Reference: &performancev1.ReferenceCondition{Oat: in("60", "Cel")}})).
			refused(t, "REFERENCE_OUTSIDE_BASELINE")
		of(b.ComputeMargin(b.analyst(), &performancev1.ComputeMarginRequest{Name: "engines/none"})).refused(t, "ENGINE_UNKNOWN")
	})
}

func TestMarginsWithoutDataAreRefused(t *testing.T) {
	benches(t, func(t *testing.T, b bench) {
		b.withModel(nil)
		of(b.ComputeMargin(b.analyst(), &performancev1.ComputeMarginRequest{Name: engineName})).refused(t, "REFERENCE_MISSING")
		of(b.ForecastMargin(b.analyst(), &performancev1.ForecastMarginRequest{Name: engineName})).refused(t, "REFERENCE_MISSING")
		of(b.PredictRecovery(b.analyst(), &performancev1.PredictRecoveryRequest{Name: engineName})).refused(t, "LEVEL_UNKNOWN")
		got := of(b.AdviseInterval(b.analyst(), &performancev1.AdviseIntervalRequest{Name: engineName})).done(t)
		if got.GetKind() != "" || len(got.GetReasons()) != 6 {
			t.Errorf("%v", got)
		}
		for _, r := range got.GetReasons() {
			if r.DueHours != nil || r.GetText() == "" || r.GetDeciding() {
				t.Errorf("%v", r)
			}
		}
	})
}

func checking(p cycle.Point, oat string, n int) *performancev1.CheckPowerRequest {
	req := &performancev1.CheckPowerRequest{Name: engineName}
	for range n {
		req.Readings = append(req.Readings, &performancev1.CheckReading{
			Oat: in(oat, "[degF]"), PressureAltitude: in("0", "[ft_i]"), Torque: in(fmt.Sprintf("%.6f", p.Torque()/1.3558179483314004), "[ft_i].[lbf_av]"),
			PropellerSpeed: in("1700", "{rpm}"), Itt: in(fmt.Sprintf("%.6f", p.ITT), "Cel"), Ng: in(fmt.Sprintf("%.6f", p.Ng), "%"),
		})
	}
	return req
}

// 95 °F are 35 °C: the check is taken at the reference itself, so that its margin is the limit less what was read.
func TestAPowerCheckPassesFailsOrCannotTell(t *testing.T) {
	benches(t, func(t *testing.T, b bench) {
		clean, dirty := truth(t, 0), truth(t, 4)
		b.withModel(func(m *performancev1.EngineModel) {
			priced(m)
			m.Limits[0].MaxValue = clean.ITT + 25
		})
		pass := of(b.CheckPower(b.as("technician"), checking(clean, "95", 4))).done(t)
		near(t, "margin", pass.GetIttMarginC().GetEstimate(), 25, 1)
		if pass.GetVerdict() != performancev1.MarginVerdict_MARGIN_VERDICT_PASS || len(pass.GetCautions()) == 0 {
			t.Errorf("%v", pass)
		}
		if fail := of(b.CheckPower(b.analyst(), checking(dirty, "95", 4))).done(t); fail.GetVerdict() != performancev1.MarginVerdict_MARGIN_VERDICT_FAIL {
			t.Errorf("%v", fail)
		}
		between := clean
		between.ITT += 19 // 6 °C left, 5 to be kept
		open := of(b.CheckPower(b.analyst(), checking(between, "95", 1))).done(t)
		if open.GetVerdict() != performancev1.MarginVerdict_MARGIN_VERDICT_CANNOT_TELL || open.GetMoreReadings() < 5 {
			t.Errorf("%v", open)
		}
		bleed := checking(clean, "95", 4)
		bleed.BleedOpen = true
		if got := of(b.CheckPower(b.analyst(), bleed)).done(t); got.GetVerdict() != performancev1.MarginVerdict_MARGIN_VERDICT_CANNOT_TELL || got.GetIttMarginC() != nil {
			t.Errorf("%v", got)
		}
		spoilt := checking(clean, "95", 1)
		spoilt.Readings[0].Itt = in("700", "N.m")
		of(b.CheckPower(b.analyst(), spoilt)).refused(t, "UNIT_MISMATCH")
		cold := checking(clean, "-459.67", 1)
		of(b.CheckPower(b.analyst(), cold)).refused(t, "CHECK_INVALID")
	})
}

// The dirt grows by 0.02 units a day, and the engine model itself meets the limit on day 65.
func TestAForecastOfTheMargin(t *testing.T) {
	benches(t, func(t *testing.T, b bench) {
		b.withModel(func(m *performancev1.EngineModel) {
			priced(m)
			m.Limits[0].MaxValue = truth(t, 1.3).ITT
		})
		b.fly(worn{days: 60, noise: 1, dirt: func(day int) float64 { return 0.02 * float64(day) }})
		got := of(b.ForecastMargin(b.as("planner"), &performancev1.ForecastMarginRequest{Name: engineName})).done(t)
		if !got.GetForeseen() {
			t.Fatal(got.GetExplanation())
		}
		h := got.GetHours()
		const hours = 5 * (65 - 59) // the dirt is 1.3 units on day 65
		if !(h.GetP10() < h.GetP50() && h.GetP50() < h.GetP90()) || math.Abs(h.GetP50()-hours) > 15 {
			t.Errorf("%v, want about %d h", h, hours)
		}
		middle := got.GetMedianTime().AsTime().Sub(dayOf(59, 60)).Hours() / 24
		near(t, "days at 5 h", middle, h.GetP50()/5, 0.01)
		if !got.GetEarliestTime().AsTime().Before(got.GetLatestTime().AsTime()) || !strings.Contains(got.GetExplanation(), "h a day") {
			t.Errorf("%v", got)
		}
	})
}

func TestNoForecastOfASteadyEngine(t *testing.T) {
	benches(t, func(t *testing.T, b bench) {
		b.withModel(priced)
		b.fly(worn{days: 40, noise: 2, dirt: func(int) float64 { return 0 }})
		got := of(b.ForecastMargin(b.analyst(), &performancev1.ForecastMarginRequest{Name: engineName})).done(t)
		if got.GetForeseen() || got.GetHours() != nil || got.GetMedianTime() != nil || got.GetExplanation() == "" {
			t.Errorf("%v", got)
		}
	})
}

func reasonOf(t *testing.T, got *performancev1.AdviseIntervalResponse, cause string) *performancev1.IntervalReason {
	t.Helper()
	for _, r := range got.GetReasons() {
		if r.GetCause() == cause && r.DueHours != nil {
			return r
		}
	}
	t.Fatalf("no known reason %q in %v", cause, got.GetReasons())
	return nil
}

// 60 days after the wash: 295 h of the 300 of the programme are gone, a rinse every 30 days is overdue, and the interval that
// costs least follows from the rise of the fuel flow by √(2K/c).
func TestAllReasonsToWashAreWeighed(t *testing.T) {
	benches(t, func(t *testing.T, b bench) {
		b.withModel(priced)
		b.fly(worn{days: 120, noise: 1, dirt: rising})
		b.washed(60, 120)
		got := of(b.AdviseInterval(b.as("planner"), &performancev1.AdviseIntervalRequest{Name: engineName})).done(t)
		near(t, "programme", reasonOf(t, got, "programme").GetDueHours(), 300-5*59, 1e-9)
		near(t, "environment", reasonOf(t, got, "environment").GetDueHours(), 0, 1e-9)
		loss := line(t, got.GetSteps(), "Loss per hour for each hour since the wash").GetValue()
		near(t, "interval", line(t, got.GetSteps(), "Interval that costs least").GetValue(), math.Sqrt(2*600/loss), 1e-6)
		near(t, "economics", reasonOf(t, got, "economics").GetDueHours(), math.Sqrt(2*600/loss)-5*59, 1e-6)
		if len(got.GetCostCurve()) == 0 || got.GetCostCurrencyCode() != "EUR" {
			t.Errorf("%v", got.GetCostCurve())
		}
		deciding := 0
		for _, r := range got.GetReasons() {
			if r.GetDeciding() {
				deciding++
			}
		}
		if got.GetDueHours() > 0 || got.GetKind() == "" || deciding == 0 || deciding > 2 {
			t.Errorf("%v", got)
		}
	})
}

// A slipped digit in the operating hours of one reading is left out and told of: it made the next wash 43,000 h overdue.
func TestHoursThatCannotBeAreLeftOut(t *testing.T) {
	benches(t, func(t *testing.T, b bench) {
		b.withModel(priced)
		b.fly(worn{days: 120, noise: 1, dirt: rising})
		b.washed(60, 120)
		ask := &performancev1.AdviseIntervalRequest{Name: engineName}
		before := of(b.AdviseInterval(b.analyst(), ask)).done(t)
		foreseen := of(b.ForecastMargin(b.analyst(), &performancev1.ForecastMarginRequest{Name: engineName})).done(t)
		all := b.readings()
		slipped := proto.CloneOf(all[len(all)-20])
		slipped.ReadTime.Seconds += 60
		slipped.OperatingHours = in("49007", "h")
		wrong := of(b.CreateReading(b.analyst(), &performancev1.CreateReadingRequest{Parent: engineName, Reading: slipped})).done(t)
		if wrong.GetState() != performancev1.Reading_ACCEPTED {
			t.Fatalf("its temperatures are good: %v", wrong)
		}
		after := of(b.AdviseInterval(b.analyst(), ask)).done(t)
		near(t, "programme", reasonOf(t, after, "programme").GetDueHours(), reasonOf(t, before, "programme").GetDueHours(), 1e-9)
		caution := after.GetCautions()[len(after.GetCautions())-1]
		if !strings.Contains(caution, "the others: 1, the newest") || !strings.Contains(caution, wrong.GetName()) ||
			strings.Contains(strings.Join(before.GetCautions(), " "), "operating hours fall") {
			t.Errorf("%q", after.GetCautions())
		}
		again := of(b.ForecastMargin(b.analyst(), &performancev1.ForecastMarginRequest{Name: engineName})).done(t)
		if again.GetForeseen() != foreseen.GetForeseen() || again.GetHours() != nil && math.Abs(again.GetHours().GetP50()/foreseen.GetHours().GetP50()-1) > 0.2 {
			t.Errorf("%v\nwas %v", again, foreseen)
		}
	})
}

// 1.2 units came since the wash. The one wash before took 70 % off, and the prior says the same.
func TestTheRecoveryOfTheNextWash(t *testing.T) {
	benches(t, func(t *testing.T, b bench) {
		b.withModel(priced)
		b.fly(worn{days: 120, noise: 1, dirt: rising})
		first := of(b.PredictRecovery(b.analyst(), &performancev1.PredictRecoveryRequest{Name: engineName})).done(t)
		if first.GetWashesUsed() != 0 || !strings.Contains(first.GetExplanation(), "prior only") {
			t.Errorf("%v", first)
		}
		b.washed(60, 120)
		got := of(b.PredictRecovery(b.as("technician"), &performancev1.PredictRecoveryRequest{Name: engineName})).done(t)
		if got.GetWashesUsed() != 1 || !strings.Contains(line(t, got.GetSteps(), "ITT of one unit of dirt").GetSource(), "invented engine") {
			t.Errorf("%v", got)
		}
		near(t, "share", got.GetRecoveredShare(), 0.7, 0.15)
		if s := got.GetIttStepC(); !(s.GetLower() < s.GetEstimate() && s.GetUpper() < 0) {
			t.Errorf("%v", s)
		}
		near(t, "dirt since the wash", line(t, got.GetSteps(), "Dirt").GetValue(), 0.02*45, 0.25)
	})
}

// With a signature of its own the engine model's document stands behind the direction of dirt.
func TestTheModelsOwnDirectionOfDirt(t *testing.T) {
	benches(t, func(t *testing.T, b bench) {
		b.withModel(func(m *performancev1.EngineModel) {
			priced(m)
			m.Signatures = []*performancev1.CauseSignature{{Cause: "fouling", Size: "flow −3 %, efficiency −1 %", IttC: 11, NgPct: 0.6, FuelFlowPct: 0.9, Document: paper("Signatures")}}
		})
		b.fly(worn{days: 60, noise: 1, dirt: func(day int) float64 { return 0.02 * float64(day) }})
		got := of(b.PredictRecovery(b.analyst(), &performancev1.PredictRecoveryRequest{Name: engineName})).done(t)
		s := line(t, got.GetSteps(), "ITT of one unit of dirt")
		if s.GetValue() != 11 || !strings.Contains(s.GetSource(), "Signatures (demonstration only) revision A") {
			t.Errorf("%v", s)
		}
	})
}

// A hot section that wears by a per cent of its turbine's efficiency in 20 days: the readings ask for a wash, and none is
// advised for their sake; the check comes first. After work on the hot section nothing stands against a wash.
func TestNoWashForAHotSection(t *testing.T) {
	benches(t, func(t *testing.T, b bench) {
		b.withModel(func(m *performancev1.EngineModel) {
			priced(m)
			m.Advice.ProgrammeHours, m.Advice.ProgrammeDays = 0, 0
		})
		b.washed(0, 160)
		b.fly(worn{days: 160, noise: 1, dirt: func(int) float64 { return 0 }, wear: func(day int) float64 { return max(0, float64(day-80)) * 0.0005 }})
		got := of(b.AdviseInterval(b.analyst(), &performancev1.AdviseIntervalRequest{Name: engineName})).done(t)
		if got.GetKind() == "recovery_wash" || !strings.Contains(got.GetBlockedReason(), "Before a wash for the sake of the readings") {
			t.Errorf("%v", got)
		}
		of(b.CreateEngineEvent(b.analyst(), &performancev1.CreateEngineEventRequest{Parent: engineName, EngineEvent: &performancev1.EngineEvent{
			Kind: performancev1.EngineEvent_HOT_SECTION, EventTime: timestamppb.New(morning.Add(-time.Hour)),
		}})).done(t)
		if got := of(b.AdviseInterval(b.analyst(), &performancev1.AdviseIntervalRequest{Name: engineName})).done(t); got.GetBlockedReason() != "" {
			t.Errorf("%v", got.GetBlockedReason())
		}
	})
}
