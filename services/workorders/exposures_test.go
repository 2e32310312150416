package workorders_test

import (
	"strings"
	"testing"
	"time"

	"google.golang.org/genproto/googleapis/type/date"
	"google.golang.org/protobuf/types/known/timestamppb"

	workordersv1 "coldsection.example/proto/coldsection/workorders/v1"
)

// flew records a flight through something; a chloride of 0 is not surveyed.
func (s *stage) flew(who, of string, on *date.Date, kind workordersv1.FlightExposure_Kind, chloride float64) (*workordersv1.FlightExposure, error) {
	return s.do.CreateFlightExposure(s.as(who), &workordersv1.CreateFlightExposureRequest{FlightExposure: &workordersv1.FlightExposure{
		Engine: of, FlightDate: on, Kind: kind, ChlorideMgM2Day: chloride, Source: "flight log (invented)",
	}})
}

// number of a plan by its label, nil when the plan has none.
func (s *stage) explained(o *workordersv1.WorkOrder, label string) (value float64, text string, there bool) {
	s.t.Helper()
	p := must[*workordersv1.WashPlan](s)(s.look.GetWashPlan(s.as("ann"), &workordersv1.GetWashPlanRequest{Name: o.GetName() + "/washPlan"}))
	for _, n := range p.GetNumbers() {
		if n.GetLabel() == label {
			return n.GetValue(), n.GetFormula() + "; " + n.GetSource(), true
		}
	}
	return 0, "", false
}

const (
	salt, sand = workordersv1.FlightExposure_SALT, workordersv1.FlightExposure_SAND
	saltLabel  = "Salt in the air since the last rinse"
)

// The environment is where flights happened, not the base (handbook A3): the plan takes the saltiest air since the last rinse, whichever
// the station's survey or a flight's, with its class of ISO 9223; flights of other engines and of days to come don't count; sand is
// counted and said not to be repaired by a wash.
func TestThePlanKnowsWhereTheEngineFlew(t *testing.T) {
	engines(t, func(t *testing.T, s *stage) {
		must[*workordersv1.Station](s)(s.do.CreateStation(s.as("pat"), &workordersv1.CreateStationRequest{StationId: "ramp", Station: &workordersv1.Station{
			DisplayName: "Ramp", TimeZone: "Asia/Tokyo", Weather: &workordersv1.Weather{LowestExpectedC: 12}, PowerSource: "battery",
			Exposures: []*workordersv1.Exposure{{EffectiveDate: day("2026-01-01"), ChlorideMgM2Day: 50, Source: "survey (invented)"}},
		}}))
		for _, f := range []struct {
			engine   string
			on       string
			kind     workordersv1.FlightExposure_Kind
			chloride float64
		}{{engine, "2026-03-10", salt, 250}, {engine, "2026-03-12", salt, 40}, {engine, "2026-03-12", sand, 0}, {engine, "2026-03-13", sand, 0}, {"engines/e2", "2026-03-13", salt, 1400}} {
			e := must[*workordersv1.FlightExposure](s)(s.flew("ann", f.engine, day(f.on), f.kind, f.chloride))
			if e.GetAccount() != "accounts/ann" || e.GetCreateTime() == nil {
				t.Errorf("%v", e)
			}
		}
		o := s.kitted("salt-rinse")
		if v, text, _ := s.explained(o, saltLabel); v != 250 || !strings.Contains(text, "class S2") || !strings.Contains(text, "flight of 2026-03-10") {
			t.Errorf("salt: %v, %s", v, text)
		}
		if v, text, _ := s.explained(o, "Flights through sand since the last rinse"); v != 2 || !strings.Contains(text, "no wash repairs") {
			t.Errorf("sand: %v, %s", v, text)
		}
		o = must[*workordersv1.WorkOrder](s)(s.do.StartWorkOrder(s.as("ann"), &workordersv1.StartWorkOrderRequest{Name: o.GetName(), Etag: o.GetEtag()}))
		s.work(o, "ann")
		must[*workordersv1.WorkOrder](s)(s.finish(o, "ann"))
		must[*workordersv1.WorkOrder](s)(s.inspect(o, "ian", ""))
		must[*workordersv1.WorkOrder](s)(s.release(o))
		next := s.kitted("salt-rinse")
		if v, text, _ := s.explained(next, saltLabel); v != 50 || !strings.Contains(text, "class S1") {
			t.Errorf("after the rinse: %v, %s", v, text)
		}
		if _, _, there := s.explained(next, "Flights through sand since the last rinse"); there {
			t.Error("flights before the last rinse are counted")
		}
		listed := must[*workordersv1.ListFlightExposuresResponse](s)(s.look.ListFlightExposures(s.as("quinn"), &workordersv1.ListFlightExposuresRequest{
			Filter: `engine = "` + engine + `" AND kind = "SAND"`,
		})).GetFlightExposures()
		if len(listed) != 2 || listed[0].GetFlightDate().GetDay() != 13 {
			t.Errorf("listed: %v", listed)
		}
	})
}

// A day to come, an engine that nobody knows, chloride of sand and a caller without the role are refused, and nothing is kept.
func TestExposuresThatCannotBeAreRefused(t *testing.T) {
	engines(t, func(t *testing.T, s *stage) {
		for reason, call := range map[string]func() error{
			"DATE_IN_FUTURE":    func() error { _, err := s.flew("ann", engine, day("2026-03-15"), salt, 10); return err },
			"ENGINE_UNKNOWN":    func() error { _, err := s.flew("ann", "engines/none", day("2026-03-10"), salt, 10); return err },
			"CHLORIDE_NOT_SALT": func() error { _, err := s.flew("ann", engine, day("2026-03-10"), sand, 10); return err },
			"ROLE_MISSING":      func() error { _, err := s.flew("rob", engine, day("2026-03-10"), salt, 10); return err },
			"FIELD_INVALID":     func() error { _, err := s.flew("ann", engine, day("2026-03-10"), 0, 0); return err },
		} {
			s.refused(call(), reason)
		}
		if n := s.count("flight_exposures"); n != 0 {
			t.Errorf("%d were kept", n)
		}
		s.clock.Set(morning.Add(3 * time.Hour)) // 11:00 UTC: it is the 15th already at UTC+14
		must[*workordersv1.FlightExposure](s)(s.flew("ann", engine, day("2026-03-15"), salt, 10))
	})
}

// environment is what an order's plan says of the air and of the wash that follows.
func (s *stage) environment(o *workordersv1.WorkOrder) *workordersv1.WashEnvironment {
	s.t.Helper()
	return must[*workordersv1.WashPlan](s)(s.look.GetWashPlan(s.as("ann"), &workordersv1.GetWashPlanRequest{Name: o.GetName() + "/washPlan"})).GetEnvironment()
}

// chosen schedules an order for the ramp, with the reason of a choice.
func (s *stage) chosen(o *workordersv1.WorkOrder, why string) error {
	s.place()
	_, err := s.do.ScheduleWorkOrder(s.as("pat"), &workordersv1.ScheduleWorkOrderRequest{
		Name: o.GetName(), Etag: s.order(o).GetEtag(), Station: station, PlanStartTime: timestamppb.New(s.clock.Now().Add(time.Hour)), ChoiceReason: why,
	})
	return err
}

// Exposures decide which wash is proposed (handbook A2, A3): soot wants cleaner, so a salt rinse needs a reason, which the plan keeps with who gave
// it, in later revisions too; an order that comes from advice has its reason from there; a wash that follows needs none, and without
// exposures nothing is asked.
func TestExposuresDecideWhichWashIsProposed(t *testing.T) {
	engines(t, func(t *testing.T, s *stage) {
		quiet := s.drafted("salt-rinse")
		if err := s.chosen(quiet, ""); err != nil || s.environment(quiet) != nil {
			t.Errorf("nothing is recorded: %v, %v", err, s.environment(quiet))
		}
		must[*workordersv1.FlightExposure](s)(s.flew("ann", engine, day("2026-03-12"), workordersv1.FlightExposure_INDUSTRIAL, 0))
		must[*workordersv1.FlightExposure](s)(s.flew("ann", engine, day("2026-03-13"), salt, 250))
		rinse := s.drafted("salt-rinse")
		if e := s.environment(rinse); e.GetClass() != workordersv1.WashEnvironment_INDUSTRIAL_AIR || e.GetProposedKind() != workordersv1.TaskCard_RECOVERY_WASH ||
			!strings.Contains(strings.Join(e.GetReasons(), "; "), "class S2") {
			t.Errorf("the draft says %v", e)
		}
		s.refused(s.chosen(rinse, ""), "CHOICE_REASON_MISSING", "RECOVERY_WASH", "1 flights through industrial", "SALT_RINSE")
		if err := s.chosen(rinse, "cleaner arrives on Monday"); err != nil {
			t.Fatal(err)
		}
		if err := s.chosen(rinse, ""); err != nil {
			t.Fatal(err)
		}
		if e := s.environment(rinse); e.GetChoiceReason() != "cleaner arrives on Monday" || e.GetChooser() != "people/pat" {
			t.Errorf("scheduled anew: %v", e)
		}
		if text := s.packed(rinse); !strings.Contains(text, "cleanerarrivesonMonday") || !strings.Contains(text, "Arecoverywashfollows") {
			t.Errorf("the pack does not say the choice: %s", text)
		}
		wash := s.drafted("recovery-wash")
		if err := s.chosen(wash, ""); err != nil || s.environment(wash).GetChoiceReason() != "" {
			t.Errorf("the wash that follows: %v, %v", err, s.environment(wash))
		}
		advised := must[*workordersv1.WorkOrder](s)(s.do.CreateWorkOrder(s.as("pat"), &workordersv1.CreateWorkOrderRequest{WorkOrder: &workordersv1.WorkOrder{
			Engine: engine, TaskCard: "taskCards/salt-rinse", Origin: &workordersv1.Origin{Cause: workordersv1.Origin_ADVICE, Reasons: []string{"programme: rinse every week"}},
		}}))
		if err := s.chosen(advised, ""); err != nil || s.environment(advised).GetChoiceReason() != "programme: rinse every week" {
			t.Errorf("by advice: %v, %v", err, s.environment(advised))
		}
	})
}
