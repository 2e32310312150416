package workorders_test

import (
	"testing"
	"time"

	"google.golang.org/protobuf/types/known/fieldmaskpb"
	"google.golang.org/protobuf/types/known/timestamppb"

	commonv1 "coldsection.example/proto/coldsection/common/v1"
	performancev1 "coldsection.example/proto/coldsection/performance/v1"
	workordersv1 "coldsection.example/proto/coldsection/workorders/v1"
)

// frost gives the wash data a table of antifreeze. Rows: Lange's Handbook of Chemistry, 15th edition, table 5.13.
func (s *stage) frost() {
	s.near.change(func(n *neighbours) {
		n.model.Wash.AntifreezeTable = &performancev1.AntifreezeTable{Document: &commonv1.DocumentReference{Title: "Lange's Handbook of Chemistry"}, Rows: []*performancev1.AntifreezeRow{
			{VolumePercent: 15, FreezingPointC: -8.3}, {VolumePercent: 20, FreezingPointC: -11.7},
		}}
	})
}

// expects enters the lowest temperature that is expected at the station.
func (s *stage) expects(celsius float64) {
	s.t.Helper()
	s.clock.Advance(time.Second)
	must[*workordersv1.Station](s)(s.do.UpdateStation(s.as("ann"), &workordersv1.UpdateStationRequest{
		Station: &workordersv1.Station{Name: station, Weather: &workordersv1.Weather{LowestExpectedC: celsius}}, UpdateMask: &fieldmaskpb.FieldMask{Paths: []string{"weather"}},
	}))
}

// putOff moves an order's planned start by hours from now.
func (s *stage) putOff(o *workordersv1.WorkOrder, hours int) (*workordersv1.WorkOrder, error) {
	return s.do.UpdateWorkOrder(s.as("pat"), &workordersv1.UpdateWorkOrderRequest{
		WorkOrder:  &workordersv1.WorkOrder{Name: o.GetName(), PlanStartTime: timestamppb.New(s.clock.Now().Add(time.Duration(hours) * time.Hour))},
		UpdateMask: &fieldmaskpb.FieldMask{Paths: []string{"plan_start_time"}},
	})
}

// A wash that is put off into the cold is planned again, with antifreeze, and stores are asked for it; into the warm it keeps what it was planned for, as
// nobody said how warm. What has its kit for a warm day stays where it is.
func TestAWashThatIsPutOffIsPlannedForItsNewTime(t *testing.T) {
	engines(t, func(t *testing.T, s *stage) {
		s.frost()
		o := must[*workordersv1.WorkOrder](s)(s.schedule(s.drafted("recovery-wash"), 12, "battery"))
		warm := s.kitted("salt-rinse")
		o = must[*workordersv1.WorkOrder](s)(s.putOff(o, 4))
		if p := must[*workordersv1.WashPlan](s)(s.plan(o, 0)); p.GetPlannedAirTemperatureC() != 12 || p.GetRevision() != 3 || len(o.GetDemands()) != 2 {
			t.Errorf("put off by hours: %v, %v", p, o.GetDemands())
		}
		s.expects(-3)
		o = must[*workordersv1.WorkOrder](s)(s.putOff(o, 16))
		p := must[*workordersv1.WashPlan](s)(s.plan(o, 0))
		if p.GetPlannedAirTemperatureC() != -3 || p.GetAntifreeze().GetDecision() != workordersv1.Antifreeze_ADDED || len(o.GetDemands()) != 3 || s.facts(o)[len(s.facts(o))-1] != "scheduled" {
			t.Errorf("put off into the cold: %v, %v, told %v", p, o.GetDemands(), s.facts(o))
		}
		_, err := s.putOff(warm, 16)
		s.refused(err, "PLAN_OF_OTHER_WEATHER", "12 °C", "-3 °C", "20 % of antifreeze, not 0 %", "draft a new one")
		s.expects(20)
		o = must[*workordersv1.WorkOrder](s)(s.putOff(o, 30))
		if p = must[*workordersv1.WashPlan](s)(s.plan(o, 0)); p.GetPlannedAirTemperatureC() != -3 {
			t.Errorf("nobody said how warm it will be: %v", p)
		}
		warm = must[*workordersv1.WorkOrder](s)(s.putOff(warm, 30))
		if p = must[*workordersv1.WashPlan](s)(s.plan(warm, 0)); warm.GetState() != workordersv1.WorkOrder_KITTED || p.GetPlannedAirTemperatureC() != 12 {
			t.Errorf("it has what it needs: %s, %v", warm.GetState(), p)
		}
	})
}

// A wash is not begun when its station expects it so cold that another plan is needed, nor more than a day from its planned start on old weather. What
// was begun on paper is recorded as it was, and what is not a wash needs no weather.
func TestAWashIsNotBegunInOtherWeatherThanItsPlans(t *testing.T) {
	engines(t, func(t *testing.T, s *stage) {
		s.frost()
		o, late, paper, other := s.kitted("recovery-wash"), s.kitted("salt-rinse"), s.kitted("salt-rinse"), s.kitted("ground-run")
		start := func(o *workordersv1.WorkOrder, at *timestamppb.Timestamp) error {
			_, err := s.do.StartWorkOrder(s.as("ann"), &workordersv1.StartWorkOrderRequest{Name: o.GetName(), Etag: s.order(o).GetEtag(), StartTime: at})
			return err
		}
		s.expects(-3)
		s.refused(start(o, nil), "PLAN_OF_OTHER_WEATHER", o.GetNumber(), "12 °C", "-3 °C", "Ramp")
		s.near.change(func(n *neighbours) { n.silent["performance"] = true })
		s.refused(start(o, nil), "PERFORMANCE_UNREACHABLE")
		s.near.change(func(n *neighbours) { n.silent["performance"] = false })
		s.expects(6)
		if err := start(o, nil); err != nil {
			t.Errorf("colder, and the plan holds: %v", err)
		}
		again := s.kitted("salt-rinse")
		s.clock.Advance(26 * time.Hour)
		for _, o := range []*workordersv1.WorkOrder{late, again} { // the station says something newer than one of the plans, of yesterday, too
			s.refused(start(o, nil), "WEATHER_STALE", o.GetNumber(), station, "then start")
		}
		if err := start(other, nil); err != nil {
			t.Errorf("%s: %v", other.GetKind(), err)
		}
		if err := start(paper, minutes(60)); err != nil {
			t.Errorf("on paper: %v", err)
		}
		s.expects(15)
		for _, o := range []*workordersv1.WorkOrder{late, again} {
			if err := start(o, nil); err != nil {
				t.Errorf("with the weather of today: %v", err)
			}
		}
	})
}
