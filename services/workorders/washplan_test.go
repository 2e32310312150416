package workorders_test

import (
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	commonv1 "coldsection.example/proto/coldsection/common/v1"
	performancev1 "coldsection.example/proto/coldsection/performance/v1"
	workordersv1 "coldsection.example/proto/coldsection/workorders/v1"
)

// schedule plans an order for a temperature.
func (s *stage) schedule(o *workordersv1.WorkOrder, celsius float64, power string) (*workordersv1.WorkOrder, error) {
	s.place()
	return s.do.ScheduleWorkOrder(s.as("pat"), &workordersv1.ScheduleWorkOrderRequest{
		Name: o.GetName(), Etag: o.GetEtag(), Station: station, PlanStartTime: timestamppb.New(s.clock.Now().Add(time.Hour)),
		Weather: &workordersv1.Weather{LowestExpectedC: celsius}, PowerSource: power,
	})
}

// A wash in the cold is refused without a table and leaves the order as it was; with one, stores are asked for the antifreeze of
// the rinses as well, and the plan ends with the drying run. Rows: Lange's Handbook of Chemistry, 15th edition, table 5.13.
func TestAWashInTheCold(t *testing.T) {
	engines(t, func(t *testing.T, s *stage) {
		o := s.drafted("recovery-wash")
		_, err := s.schedule(o, -3, "battery")
		s.refused(err, "PLAN_NOT_POSSIBLE", "no signed table", "above 4.0 °C")
		_, err = s.schedule(o, 12, "shore power")
		s.refused(err, "PLAN_NOT_POSSIBLE", "shore power", "another source")
		if now := s.order(o); now.GetEtag() != o.GetEtag() {
			t.Fatal("a refusal changed the order")
		}
		s.near.change(func(n *neighbours) {
			n.model.Wash.AntifreezeTable = &performancev1.AntifreezeTable{Document: &commonv1.DocumentReference{Title: "Lange's Handbook of Chemistry"}, Rows: []*performancev1.AntifreezeRow{
				{VolumePercent: 15, FreezingPointC: -8.3}, {VolumePercent: 20, FreezingPointC: -11.7},
			}}
		})
		o = must[*workordersv1.WorkOrder](s)(s.schedule(o, -3, "battery"))
		want := map[string]string{"items/cleaner": "400", "items/water": "2880", "items/antifreeze": "720"} // 20 % of 1.6 L and of 2 L
		for _, d := range o.GetDemands() {
			if want[d.GetItem()] != d.GetQuantity().GetValue() {
				t.Errorf("%s: %v, want %s", d.GetItem(), d.GetQuantity(), want[d.GetItem()])
			}
		}
		p := must[*workordersv1.WashPlan](s)(s.plan(o, 0))
		last := p.GetTimeline()[len(p.GetTimeline())-1]
		if len(o.GetDemands()) != 3 || p.GetAntifreeze().GetDecision() != workordersv1.Antifreeze_ADDED || last.GetActivity() != workordersv1.TimelineEntry_DRYING_RUN ||
			!strings.Contains(last.GetNote(), "3600 s after the last wetting") || p.GetRinseVolume().GetValue() != "2000" {
			t.Errorf("plan: %v", p)
		}
	})
}
