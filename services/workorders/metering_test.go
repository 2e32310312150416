package workorders_test

import (
	"strings"
	"testing"

	"google.golang.org/genproto/googleapis/type/date"

	commonv1 "coldsection.example/proto/coldsection/common/v1"
	workordersv1 "coldsection.example/proto/coldsection/workorders/v1"
)

const hour = 3600

// countersAtStart starts an order with counters that ann read.
func (s *stage) countersAtStart(o *workordersv1.WorkOrder, read *workordersv1.Counters) (*workordersv1.WorkOrder, error) {
	return s.do.StartWorkOrder(s.as("ann"), &workordersv1.StartWorkOrderRequest{Name: o.GetName(), Etag: s.order(o).GetEtag(), Counters: read})
}

// countersAtEnd signs that the work was done, with counters that ann read.
func (s *stage) countersAtEnd(o *workordersv1.WorkOrder, read *workordersv1.Counters) (*workordersv1.WorkOrder, error) {
	shown := s.preview(o, commonv1.Signature_PERFORMED)
	return s.do.FinishWorkOrder(s.as("ann"), &workordersv1.FinishWorkOrderRequest{
		Name: o.GetName(), Etag: shown.GetEtag(), ReauthenticationToken: s.proof("ann"), ContentHash: shown.GetContentHash(), EndCounters: read,
	})
}

// A misread counter becomes "last done" with the release and moves the next wash by years. So what is read at the start and at the end is held
// against the record, whose counters are of the 4th here, ten days before the work, and the end against the start.
func TestCountersThatCanNotBeRightAreRefused(t *testing.T) {
	engines(t, func(t *testing.T, s *stage) {
		s.near.change(func(n *neighbours) { n.plane, n.counted = "aircraft/a1", &date.Date{Year: 2026, Month: 3, Day: 4} })
		o := s.kitted("salt-rinse")
		for what, read := range map[string]*workordersv1.Counters{
			"0:01 of hours are fewer than the 1234:00":    {OperatingSeconds: 99},
			"12340:00 of hours are more than the 1234:00": {OperatingSeconds: 12340 * hour},
			"9 of cycles are fewer than the 99":           {OperatingSeconds: 1240 * hour, Cycles: 9},
		} {
			_, err := s.countersAtStart(o, read)
			s.refused(err, "COUNTERS_IMPLAUSIBLE", engine, what, "in compliance first")
		}
		o = must[*workordersv1.WorkOrder](s)(s.countersAtStart(o, &workordersv1.Counters{OperatingSeconds: 1250 * hour}))
		if c := o.GetStartCounters(); c.GetOperatingSeconds() != 1250*hour || c.GetCycles() != 99 || c.GetStarts() != 120 {
			t.Errorf("what was not read is not what the record has: %v", c)
		}
		s.work(o, "ann")
		for what, read := range map[string]*workordersv1.Counters{
			"0:01 of hours are fewer than the 1234:00":                                {OperatingSeconds: 99},
			"1249:00 of hours at the end are fewer than the 1250:00 at":               {OperatingSeconds: 1249 * hour},
			"12500:00 of hours are more":                                              {OperatingSeconds: 12500 * hour},
			"aircraft/a1 can't be right: 43210:00 of hours are more than the 4321:00": {OperatingSeconds: 1251 * hour, AircraftSeconds: 43210 * hour},
		} {
			_, err := s.countersAtEnd(o, read)
			s.refused(err, "COUNTERS_IMPLAUSIBLE", what)
		}
		if n := s.count("signatures"); n != 0 || s.order(o).GetState() != workordersv1.WorkOrder_STARTED {
			t.Errorf("refused, and %d signatures", n)
		}
		o = must[*workordersv1.WorkOrder](s)(s.countersAtEnd(o, &workordersv1.Counters{OperatingSeconds: 1251 * hour, Starts: 121, AircraftSeconds: 4338 * hour}))
		if c := o.GetEndCounters(); c.GetOperatingSeconds() != 1251*hour || c.GetCycles() != 99 || c.GetStarts() != 121 || c.GetAircraftSeconds() != 4338*hour {
			t.Errorf("%v", c)
		}
	})
}

// Hours that neither the record nor whoever starts the work says are not 0: nothing begins until they are read. What is read is taken.
func TestHoursThatNobodyKnowsAreNotZero(t *testing.T) {
	engines(t, func(t *testing.T, s *stage) {
		s.near.change(func(n *neighbours) { n.uncounted = true })
		o := s.kitted("ground-run")
		for _, read := range []*workordersv1.Counters{nil, {}, {Cycles: 100, Starts: 120}} {
			_, err := s.countersAtStart(o, read)
			s.refused(err, "COUNTERS_MISSING", engine, "Read hours")
		}
		o = must[*workordersv1.WorkOrder](s)(s.countersAtStart(o, &workordersv1.Counters{OperatingSeconds: 1234 * 3600}))
		if c := o.GetStartCounters(); c.GetOperatingSeconds() != 1234*3600 || c.GetCycles() != 0 {
			t.Errorf("started at %v", c)
		}
		text := s.preview(o, commonv1.Signature_PERFORMED).GetStatement()
		if strings.Contains(text, "0 cycles") {
			t.Errorf("cycles that nobody read are signed as 0: %s", text)
		}
	})
}
