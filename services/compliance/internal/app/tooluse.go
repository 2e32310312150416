package app

import (
	"cmp"
	"context"
	"fmt"
	"slices"
	"strings"
	"time"

	compliancev1 "coldsection.example/proto/coldsection/compliance/v1"
	consumablesv1 "coldsection.example/proto/coldsection/consumables/v1"
	workordersv1 "coldsection.example/proto/coldsection/workorders/v1"
	"coldsection.example/services/compliance/internal/calibration"
	"coldsection.example/services/compliance/internal/civil"
	"coldsection.example/services/compliance/internal/store"
	"coldsection.example/services/platform/clock"
	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/owners"
	"coldsection.example/services/platform/storage"
)

// Measured records that a tool was used, once per measured value.
func (a *App) Measured(ctx context.Context, tx *storage.Tx, fact *workordersv1.MeasurementRecorded) error {
	m := fact.GetMeasurement()
	if m.GetTool() == "" {
		return nil
	}
	order, id, _ := strings.Cut(m.GetName(), "/measurements/")
	use := &compliancev1.ToolUse{
		Name: m.GetTool() + "/toolUses/" + strings.TrimPrefix(order, "workOrders/") + "." + id, UseTime: m.GetMeasureTime(), WorkOrder: fact.GetWorkOrder(),
		Measurement: m.GetName(), Person: m.GetPerson(), Calibration: m.GetToolCalibration(), Engine: fact.GetEngine(), UseDate: fact.GetCivilDate(),
	}
	if use.GetUseTime() == nil {
		use.UseTime = m.GetCreateTime()
	}
	return a.used(ctx, tx, use)
}

// WaterTested records that a meter was used to test water, once per test.
func (a *App) WaterTested(ctx context.Context, tx *storage.Tx, fact *consumablesv1.LotChanged) error {
	t := fact.GetWaterTest()
	if t.GetMeter() == "" {
		return nil // told before tests came with the fact
	}
	lot, id, _ := strings.Cut(t.GetName(), "/waterTests/")
	use := &compliancev1.ToolUse{
		Name:    t.GetMeter() + "/toolUses/" + strings.TrimPrefix(lot, "lots/") + ".water." + id,
		UseTime: t.GetTestTime(), WaterTest: t.GetName(), Person: t.GetTester(),
	}
	return a.used(ctx, tx, use)
}

// used keeps a use; one that is known stays as it is.
func (a *App) used(ctx context.Context, tx *storage.Tx, use *compliancev1.ToolUse) error {
	err := store.ToolUses.Insert(ctx, tx, use, clock.Now(ctx, a.Clock))
	if fault.HasReason(err, "ALREADY_EXISTS") {
		return nil
	}
	return err
}

// mostSuspect is how many uses an answer holds.
const mostSuspect = 10_000

// FindSuspectToolUses finds every use of a tool that needs a look, newest first.
func (a *App) FindSuspectToolUses(ctx context.Context, req *compliancev1.FindSuspectToolUsesRequest) (*compliancev1.FindSuspectToolUsesResponse, error) {
	var resp *compliancev1.FindSuspectToolUsesResponse
	err := a.DB.View(ctx, func(ctx context.Context, tx *storage.Tx) error {
		resp = &compliancev1.FindSuspectToolUsesResponse{}
		u := a.unit(ctx, tx)
		tool, err := store.Tools.Get(unlimited(ctx), tx, req.GetName())
		if err != nil {
			return err
		}
		all, err := u.calibrations(ctx, tool.GetName())
		if err != nil {
			return err
		}
		uses, err := store.ToolUses.Where(ctx, tx, "name >= $1 AND name < $2 ORDER BY use_time DESC, name", tool.GetName()+"/", tool.GetName()+"0")
		if err != nil {
			return err
		}
		mine, err := u.owned(ctx, uses)
		if err != nil {
			return err
		}
		if len(mine) == 0 && len(owners.Limit(ctx)) > 0 {
			return fault.Missing(req.GetName()) // never used on anything of the caller's
		}
		u.suspects(resp, tool, all, mine)
		return nil
	})
	return resp, err
}

// owned are the uses on what is the caller's.
func (u unit) owned(ctx context.Context, uses []*compliancev1.ToolUse) (mine []*compliancev1.ToolUse, err error) {
	for _, use := range uses {
		owns, err := owners.Owns(ctx, u.Tx, use.GetEngine())
		if err != nil {
			return nil, err
		}
		if owns {
			mine = append(mine, use)
		}
	}
	return mine, nil
}

// suspects puts the uses that need a look into an answer, and each of their orders once.
func (u unit) suspects(resp *compliancev1.FindSuspectToolUsesResponse, tool *compliancev1.Tool, all []calibration.Calibration, uses []*compliancev1.ToolUse) {
	for _, use := range uses {
		if !u.suspect(tool, all, use) || len(resp.GetToolUses()) == mostSuspect {
			continue
		}
		resp.ToolUses = append(resp.ToolUses, use)
		if order := use.GetWorkOrder(); order != "" && !slices.Contains(resp.GetWorkOrders(), order) {
			resp.WorkOrders = append(resp.WorkOrders, order)
		}
	}
}

func (u unit) calibrations(ctx context.Context, tool string) (out []calibration.Calibration, err error) {
	all, err := store.CalibrationsOf(ctx, u.Tx, tool)
	for _, c := range all {
		out = append(out, calibration.Calibration{Done: dateOf(c.GetCalibrationDate()), Due: dateOf(c.GetDueDate()), FoundBad: c.GetFoundOutOfTolerance()})
	}
	return out, err
}

// suspect puts into a use why it needs a look, and reports whether it does. Where the instant of the use was told but not the day at its
// place, both days count on which that instant can fall anywhere. The calibration of a meter is looked at before a test of water is taken.
func (u unit) suspect(tool *compliancev1.Tool, all []calibration.Calibration, use *compliancev1.ToolUse) bool {
	at := use.GetUseTime().AsTime()
	days := calibration.Use{First: civil.Of(at.Add(-12 * time.Hour)), Last: civil.Of(at.Add(14 * time.Hour)), Covered: use.GetCalibration() != "" || use.GetWaterTest() != ""}
	if use.GetUseDate() != nil {
		days.First, days.Last = dateOf(use.GetUseDate()), dateOf(use.GetUseDate())
	}
	words := map[calibration.Suspicion]string{
		calibration.OutOfTolerance: "the tool was found out of tolerance afterwards, and no calibration lies between. Measure again, or assess the value.",
		calibration.NotCovered:     "no calibration covered the tool. Measure again, or assess the value.",
		calibration.LapsedSince:    "the calibration has lapsed since, so that the next one decides. Have the tool calibrated.",
	}
	s := calibration.Judge(all, days, civil.Of(u.now))
	if s == calibration.None || tool.GetCalibrationExempt() && s != calibration.OutOfTolerance {
		return false
	}
	use.Suspicion, use.Explanation = string(s), fmt.Sprintf("%s %s, used for %s: %s", tool.GetDisplayName(), tool.GetSerial(), cmp.Or(use.GetMeasurement(), use.GetWaterTest()), words[s])
	return true
}

// sweepTools moves tools to the state of the day, and tells once of each that lapsed.
func (u unit) sweepTools(ctx context.Context) error {
	all, err := store.Tools.Where(ctx, u.Tx, "name >= '' ORDER BY name")
	if err != nil {
		return err
	}
	today := civil.Of(u.now)
	for _, tool := range all {
		if toolState(tool, today) == tool.GetState() {
			continue
		}
		if tool, err = store.Tools.Lock(ctx, u.Tx, tool.GetName()); err != nil {
			return err
		}
		lapsed := tool.GetState() != compliancev1.Tool_LAPSED
		tool.State = toolState(tool, today)
		if err := store.Tools.Save(ctx, u.Tx, tool, u.now); err != nil {
			return err
		}
		if !lapsed || tool.GetState() != compliancev1.Tool_LAPSED {
			continue
		}
		if err := u.publish(ctx, "coldsection.tools.calibration.lapsed.v1", tool.GetName(), &compliancev1.ToolChanged{
			Tool: tool.GetName(), State: tool.GetState().String(), CalibrationDueDate: tool.GetCalibrationDueDate(),
		}); err != nil {
			return err
		}
	}
	return nil
}
