package server_test

import (
	"context"
	"slices"
	"testing"
	"time"

	"google.golang.org/genproto/googleapis/type/date"
	"google.golang.org/protobuf/types/known/fieldmaskpb"
	"google.golang.org/protobuf/types/known/timestamppb"

	compliancev1 "coldsection.example/proto/coldsection/compliance/v1"
	workordersv1 "coldsection.example/proto/coldsection/workorders/v1"
	"coldsection.example/services/platform/storage"
)

func (w *world) gauge() {
	w.t.Helper()
	must(w.commands.CreateTool(w.as("quality"), &compliancev1.CreateToolRequest{ToolId: "gauge", Tool: &compliancev1.Tool{
		DisplayName: "pressure gauge", ToolType: "pressure-gauge", Serial: "G-1", CalibrationMonths: 6,
	}}))(w.t)
}

func (w *world) calibrate(done, end *date.Date, bad bool) error {
	_, err := w.commands.CalibrateTool(w.as("quality"), &compliancev1.CalibrateToolRequest{Name: "tools/gauge", Calibration: &compliancev1.Calibration{
		CalibrationDate: done, DueDate: end, Certificate: "C-" + day(w.clock.Now()).String(), FoundOutOfTolerance: bad,
	}})
	return err
}

func (w *world) gate(civil *date.Date, req *compliancev1.CheckGatesRequest) *compliancev1.GateResult {
	w.t.Helper()
	req.CivilDate = civil
	return must(w.gates.CheckGates(w.as("quality"), req))(w.t).GetResults()[0]
}

// R04. Rows TOOL-01 to TOOL-03 and TOOL-05 of the cases: the gate answers for the day of use; a withdrawn tool is closed whatever its date.
func TestTheToolGateAnswersForTheDayOfUse(t *testing.T) {
	onEngines(t, func(t *testing.T, w *world) {
		w.gauge()
		refused(t, w.calibrate(on(2025, 8, 31), on(2026, 3, 1), false), "CALIBRATION_INVALID")
		if err := w.calibrate(on(2025, 8, 31), on(2026, 2, 28), false); err != nil {
			t.Fatal(err)
		}
		tool := func() *compliancev1.CheckGatesRequest {
			return &compliancev1.CheckGatesRequest{Tools: []string{"tools/gauge"}}
		}
		if got := w.gate(on(2026, 2, 28), tool()); !got.GetOpen() {
			t.Errorf("on its last day: %v", got)
		}
		for _, day := range []*date.Date{on(2026, 3, 1), on(2025, 8, 30)} {
			if got := w.gate(day, tool()); got.GetOpen() || got.GetReason() != "TOOL_LAPSED" {
				t.Errorf("on %v: %v", day, got)
			}
		}
		_, err := w.commands.WithdrawTool(w.as("stores"), &compliancev1.WithdrawToolRequest{Name: "tools/gauge", Reason: "dropped", Etag: "v9"})
		refused(t, err, "ETAG_MISMATCH")
		must(w.commands.WithdrawTool(w.as("stores"), &compliancev1.WithdrawToolRequest{Name: "tools/gauge", Reason: "dropped"}))(t)
		if got := w.gate(on(2026, 2, 27), tool()); got.GetOpen() || got.GetReason() != "TOOL_WITHDRAWN" {
			t.Errorf("withdrawn: %v", got)
		}
	})
}

// used is the fact that a value was measured with the gauge at noon of a day.
func (w *world) used(order string, at time.Time, calibration string) {
	w.t.Helper()
	fact := &workordersv1.MeasurementRecorded{WorkOrder: "workOrders/" + order, Measurement: &workordersv1.Measurement{
		Name: "workOrders/" + order + "/measurements/m", Tool: "tools/gauge", ToolCalibration: calibration, Person: "people/ada", MeasureTime: timestamppb.New(at),
	}}
	for range 2 { // a fact that comes twice is one use
		if err := w.db.Update(w.t.Context(), func(ctx context.Context, tx *storage.Tx) error { return w.restarted().Measured(ctx, tx, fact) }); err != nil {
			w.t.Fatal(err)
		}
	}
}

// Check QUA-06 and row TOOL-04 of the cases: what was measured since the last good calibration is listed when the tool lapses or is
// found out of tolerance, and nothing else (ISO 9001 7.1.5.2).
func TestALapsedOrWrongToolListsItsUsesSinceTheLastGoodCalibration(t *testing.T) {
	onEngines(t, func(t *testing.T, w *world) {
		w.gauge()
		if err := w.calibrate(on(2025, 9, 10), on(2026, 3, 9), false); err != nil {
			t.Fatal(err)
		}
		noon := func(month time.Month, day int) time.Time { return time.Date(2026, month, day, 12, 0, 0, 0, time.UTC) }
		w.used("before", time.Date(2025, 9, 8, 12, 0, 0, 0, time.UTC), "the one before")
		w.used("january", noon(1, 15), "certificate C-1")
		w.used("march", noon(3, 1), "certificate C-1")
		w.used("never", time.Date(2025, 8, 1, 12, 0, 0, 0, time.UTC), "")
		find := func() (out []string) {
			resp := must(w.queries.FindSuspectToolUses(w.as("viewer"), &compliancev1.FindSuspectToolUsesRequest{Name: "tools/gauge"}))(t)
			for _, use := range resp.GetToolUses() {
				out = append(out, use.GetWorkOrder()[len("workOrders/"):]+" "+use.GetSuspicion())
			}
			if len(resp.GetWorkOrders()) != len(out) {
				t.Errorf("orders: %v", resp.GetWorkOrders())
			}
			return out
		}
		if got := find(); !slices.Equal(got, []string{"never NOT_COVERED"}) {
			t.Errorf("in calibration: %v", got)
		}
		w.clock.Advance(10 * 24 * time.Hour)
		if got := find(); !slices.Equal(got, []string{"march LAPSED_SINCE", "january LAPSED_SINCE", "never NOT_COVERED"}) {
			t.Errorf("lapsed: %v", got)
		}
		if err := w.calibrate(on(2026, 3, 12), on(2026, 9, 11), true); err != nil {
			t.Fatal(err)
		}
		w.used("after", noon(3, 14), "certificate C-2")
		if got := find(); !slices.Equal(got, []string{"march OUT_OF_TOLERANCE", "january OUT_OF_TOLERANCE", "never NOT_COVERED"}) {
			t.Errorf("found out of tolerance: %v", got)
		}
		all := must(w.queries.ListToolUses(w.as("viewer"), &compliancev1.ListToolUsesRequest{Parent: "tools/gauge", Filter: "work_order = workOrders/march"}))(t)
		if len(all.GetToolUses()) != 1 || all.GetToolUses()[0].GetPerson() != "people/ada" {
			t.Errorf("%v", all)
		}
	})
}

// R03. Rows PER-01 to PER-03, PER-07 and PER-09 of the cases, over the gate: dates are inclusive, the scope and the engine's model must fit,
// and six months of experience within two years are needed (145.A.35; 14 CFR 65.83 from memory).
func TestThePersonGateAnswersForTheDayAndTheScope(t *testing.T) {
	onEngines(t, func(t *testing.T, w *world) {
		held := must(w.commands.CreateAuthorization(w.as("quality"), &compliancev1.CreateAuthorizationRequest{Parent: "people/ada", Authorization: &compliancev1.Authorization{
			Scope: "release", EngineModels: []string{"engineModels/demo"}, StartDate: on(2025, 7, 1), EndDate: on(2026, 6, 30),
			ExperiencePeriods: []*compliancev1.ExperiencePeriod{{StartDate: on(2025, 1, 1), EndDate: on(2025, 5, 31)}},
		}}))(t)
		ask := func(scope, engine string) *compliancev1.CheckGatesRequest {
			return &compliancev1.CheckGatesRequest{Person: "people/ada", Scopes: []string{scope}, Engine: engine}
		}
		if got := w.gate(on(2026, 3, 1), ask("release", "engines/one")); got.GetReason() != "NOT_CURRENT" {
			t.Errorf("five months of experience: %v", got)
		}
		_, err := w.commands.RecordExperience(w.as("quality"), &compliancev1.RecordExperienceRequest{Name: held.GetName(), Etag: "v9", ExperiencePeriod: &compliancev1.ExperiencePeriod{
			StartDate: on(2026, 1, 1), EndDate: on(2026, 2, 10),
		}})
		refused(t, err, "ETAG_MISMATCH")
		must(w.commands.RecordExperience(w.as("quality"), &compliancev1.RecordExperienceRequest{Name: held.GetName(), Etag: held.GetEtag(), ExperiencePeriod: &compliancev1.ExperiencePeriod{
			StartDate: on(2026, 1, 1), EndDate: on(2026, 2, 10),
		}}))(t)
		for name, c := range map[string]struct {
			day           *date.Date
			scope, reason string
		}{
			"the last day": {on(2026, 6, 30), "release", ""}, "the day after": {on(2026, 7, 1), "release", "AUTHORIZATION_LAPSED"},
			"no engine runs": {on(2026, 3, 1), "ground-run", "NOT_AUTHORIZED"}, "the day before": {on(2025, 6, 30), "release", "AUTHORIZATION_LAPSED"},
		} {
			if got := w.gate(c.day, ask(c.scope, "engines/one")); got.GetReason() != c.reason || got.GetOpen() != (c.reason == "") {
				t.Errorf("%s: %v", name, got)
			}
		}
		must(w.commands.CreateEngine(w.as("planner"), &compliancev1.CreateEngineRequest{EngineId: "other", Engine: &compliancev1.Engine{Serial: "X", EngineModel: "engineModels/other"}}))(t)
		if got := w.gate(on(2026, 3, 1), ask("release", "engines/other")); got.GetReason() != "NOT_AUTHORIZED" {
			t.Errorf("another model: %v", got)
		}
		now := must(w.queries.ListAuthorizations(w.as("viewer"), &compliancev1.ListAuthorizationsRequest{Parent: "people/ada"}))(t).GetAuthorizations()[0]
		_, err = w.commands.SuspendAuthorization(w.as("quality"), &compliancev1.SuspendAuthorizationRequest{Name: held.GetName(), Reason: "under review", Etag: held.GetEtag()})
		refused(t, err, "ETAG_MISMATCH")
		must(w.commands.SuspendAuthorization(w.as("quality"), &compliancev1.SuspendAuthorizationRequest{Name: held.GetName(), Reason: "under review", Etag: now.GetEtag()}))(t)
		if got := w.gate(on(2026, 3, 1), ask("release", "engines/one")); got.GetReason() != "AUTHORIZATION_SUSPENDED" {
			t.Errorf("suspended: %v", got)
		}
	})
}

// Rows PER-05 and PER-06 of the cases: 14 CFR 65.92(a), from memory.
func TestAnInspectionAuthorizationEndsWithItsPeriod(t *testing.T) {
	onEngines(t, func(t *testing.T, w *world) {
		must(w.commands.CreateAuthorization(w.as("quality"), inspectionUntil(on(2027, 3, 31))))(t)
		_, err := w.commands.CreateAuthorization(w.as("quality"), inspectionUntil(on(2027, 4, 1)))
		refused(t, err, "INSPECTION_AUTHORIZATION_ENDS")
	})
}

func inspectionUntil(end *date.Date) *compliancev1.CreateAuthorizationRequest {
	return &compliancev1.CreateAuthorizationRequest{Parent: "people/ada", Authorization: &compliancev1.Authorization{
		Scope: "annual-inspection", StartDate: on(2025, 5, 2), EndDate: end, InspectionAuthorization: true,
	}}
}

// An authorization that ends on a day that never is would be judged by whoever compares days; it is not kept.
func TestAnAuthorizationEndsOnADayThatThereIs(t *testing.T) {
	onEngines(t, func(t *testing.T, w *world) {
		for _, end := range []*date.Date{on(2026, 2, 30), on(2026, 99, 99), on(2026, 12, 0), {}} {
			_, err := w.commands.CreateAuthorization(w.as("quality"), &compliancev1.CreateAuthorizationRequest{Parent: "people/ada", Authorization: &compliancev1.Authorization{
				Scope: "perform", StartDate: on(2026, 1, 1), EndDate: end,
			}})
			refused(t, err, "DATE_INVALID")
		}
		if n := w.rows("SELECT COUNT(*) FROM authorizations"); n != 0 {
			t.Errorf("%d are kept", n)
		}
	})
}

// A person's name and certificate change field by field, on the version that was read, and never to nothing.
func TestPeopleChange(t *testing.T) {
	onEngines(t, func(t *testing.T, w *world) {
		update := func(p *compliancev1.Person, paths ...string) (*compliancev1.Person, error) {
			p.Name = "people/ada"
			return w.commands.UpdatePerson(w.as("quality"), &compliancev1.UpdatePersonRequest{Person: p, UpdateMask: &fieldmaskpb.FieldMask{Paths: paths}})
		}
		first := must(update(&compliancev1.Person{Certificate: "DE.66.1", DisplayName: "not this"}, "certificate"))(t)
		if first.GetCertificate() != "DE.66.1" || first.GetDisplayName() != "Ada" {
			t.Errorf("%v", first)
		}
		err := atOnce(
			func() error {
				_, err := update(&compliancev1.Person{DisplayName: "Ada L", Etag: first.GetEtag()}, "display_name")
				return err
			},
			func() error {
				_, err := update(&compliancev1.Person{DisplayName: "Ada K", Etag: first.GetEtag()}, "display_name")
				return err
			},
		)
		refused(t, err, "ETAG_MISMATCH")
		now := must(w.queries.GetPerson(w.as("viewer"), &compliancev1.GetPersonRequest{Name: "people/ada"}))(t)
		if now.GetCertificate() != "DE.66.1" || now.GetDisplayName() == "Ada" || now.GetEtag() == first.GetEtag() {
			t.Errorf("%v", now)
		}
		_, err = update(&compliancev1.Person{}, "display_name")
		refused(t, err, "FIELD_INVALID")
		_, err = update(&compliancev1.Person{CreateTime: timestamppb.New(time.Unix(1, 0))}, "create_time")
		refused(t, err, "FIELD_READ_ONLY")
		_, err = update(&compliancev1.Person{}, "rank")
		refused(t, err, "FIELD_UNKNOWN")
		if list := must(w.queries.ListPeople(w.as("viewer"), &compliancev1.ListPeopleRequest{Filter: `display_name:"ADA"`}))(t).GetPeople(); len(list) != 1 {
			t.Errorf("found %v", list)
		}
	})
}
