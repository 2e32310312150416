package workorders_test

import (
	"testing"

	"google.golang.org/genproto/googleapis/type/date"

	compliancev1 "coldsection.example/proto/coldsection/compliance/v1"
	workordersv1 "coldsection.example/proto/coldsection/workorders/v1"
)

// hangs tells compliance where the engine is now.
func (s *stage) hangs(plane, seat string) {
	s.near.change(func(n *neighbours) { n.plane, n.seat = plane, seat })
}

// begin starts an order with the serial number that ann read, "" when she read none.
func (s *stage) begin(o *workordersv1.WorkOrder, read string) (*workordersv1.WorkOrder, error) {
	return s.do.StartWorkOrder(s.as("ann"), &workordersv1.StartWorkOrderRequest{Name: o.GetName(), Etag: s.order(o).GetEtag(), SerialRead: read})
}

// Case B15: a wash is not begun on an engine that is fitted to nothing, that sits on the other side of the same aircraft by now, or whose data plate is
// that of the other engine; each refusal names both.
func TestAWashIsNotBegunOnAnotherEngine(t *testing.T) {
	engines(t, func(t *testing.T, s *stage) {
		s.hangs("aircraft/a1", "left")
		o := s.kitted("salt-rinse")
		if o.GetAircraft() != "aircraft/a1" || o.GetEnginePosition() != "left" {
			t.Errorf("%v", o)
		}
		s.hangs("", "")
		_, err := s.begin(o, "")
		s.refused(err, "ENGINE_MOVED", "aircraft/a1 left", "no aircraft")
		s.hangs("aircraft/a1", "right")
		_, err = s.begin(o, "SN-1")
		s.refused(err, "ENGINE_MOVED", "aircraft/a1 left", "aircraft/a1 right")
		s.hangs("aircraft/a1", "left")
		_, err = s.begin(o, "SN-2")
		s.refused(err, "OTHER_ENGINE", "SN-1", "aircraft/a1 left", "SN-2", "engines/e2 at right of the same aircraft")
		_, err = s.begin(o, "SN-77")
		s.refused(err, "OTHER_ENGINE", "SN-77 was read. Go to")
		s.near.change(func(n *neighbours) { n.silent["compliance"] = true })
		_, err = s.begin(o, "SN-2")
		s.refused(err, "COMPLIANCE_UNREACHABLE")
		s.near.change(func(n *neighbours) { n.silent["compliance"] = false })
		if now := s.order(o); now.GetState() != workordersv1.WorkOrder_KITTED || now.GetEtag() != o.GetEtag() {
			t.Errorf("refused, and now %v", now)
		}
		if o = must[*workordersv1.WorkOrder](s)(s.begin(o, " sn-1 ")); o.GetSerialRead() != "sn-1" {
			t.Errorf("%v", o)
		}
	})
}

// An engine that hangs nowhere is washed in the shop, by an order that was drafted for it there.
func TestAnEngineInTheShopIsWashedByAnOrderThatSaysSo(t *testing.T) {
	engines(t, func(t *testing.T, s *stage) {
		s.hangs("", "")
		o := s.kitted("salt-rinse")
		s.hangs("aircraft/a1", "left")
		_, err := s.begin(o, "")
		s.refused(err, "ENGINE_MOVED", "on no aircraft", "aircraft/a1 left")
		s.hangs("", "")
		o = must[*workordersv1.WorkOrder](s)(s.begin(o, "SN-1"))
		s.work(o, "ann")
		s.hangs("aircraft/a1", "left") // fitted after the wash, on the same day
		s.near.change(func(n *neighbours) { n.hung = []*compliancev1.Fitting{hung("aircraft/a1", "left", 14, 0)} })
		if o = must[*workordersv1.WorkOrder](s)(s.finish(o, "ann")); o.GetAircraft() != "" {
			t.Errorf("%v", o)
		}
	})
}

// hung is a stay of the engine by days of March 2026, to 0 while it lasts.
func hung(host, seat string, from, to int32) *compliancev1.Fitting {
	f := &compliancev1.Fitting{Item: engine, Host: host, Position: seat, InstallDate: &date.Date{Year: 2026, Month: 3, Day: from}}
	if to > 0 {
		f.RemoveDate = &date.Date{Year: 2026, Month: 3, Day: to}
	}
	return f
}

// What turns out later is held against the day on which the work began: an engine that was taken off after the wash was there, and one that by the
// corrected record was off already, or on the other side, was not, and nobody signs for work on it. Tokyo's 14th begins at 15:00 UTC of the 13th.
func TestAWashIsSignedOnlyWhereTheEngineWas(t *testing.T) {
	engines(t, func(t *testing.T, s *stage) {
		s.hangs("aircraft/a1", "left")
		o := must[*workordersv1.WorkOrder](s)(s.begin(s.kitted("salt-rinse"), ""))
		s.work(o, "ann")
		s.hangs("", "")
		for was, stays := range map[string][]*compliancev1.Fitting{
			"no aircraft":       {hung("aircraft/a1", "left", 1, 13)},
			"aircraft/a1 right": {hung("aircraft/a1", "left", 1, 13), hung("aircraft/a1", "right", 14, 20)},
			"aircraft/a2 left":  {hung("aircraft/a2", "left", 10, 20)},
		} {
			s.near.change(func(n *neighbours) { n.hung = stays })
			_, err := s.finish(o, "ann")
			s.refused(err, "ENGINE_MOVED", "aircraft/a1 left", "it was on "+was, "2026-03-14")
		}
		if now := s.order(o); now.GetState() != workordersv1.WorkOrder_STARTED {
			t.Errorf("refused, and now %s", now.GetState())
		}
		s.near.change(func(n *neighbours) { n.hung = []*compliancev1.Fitting{hung("aircraft/a1", "left", 1, 14)} })
		must[*workordersv1.WorkOrder](s)(s.finish(o, "ann"))
	})
}
