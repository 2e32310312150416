package workorders_test

import (
	"strings"
	"testing"

	"google.golang.org/genproto/googleapis/type/date"

	commonv1 "coldsection.example/proto/coldsection/common/v1"
	compliancev1 "coldsection.example/proto/coldsection/compliance/v1"
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
		s.near.change(func(n *neighbours) { n.record = nil })
		o := s.kittedUnder("ground-run", "easa-145")
		for _, read := range []*workordersv1.Counters{nil, {}, {Cycles: 100, Starts: 120}} {
			_, err := s.countersAtStart(o, read)
			s.refused(err, "COUNTERS_MISSING", engine, "Read hours", "have a planner enter 0 in compliance where it never ran")
		}
		o = must[*workordersv1.WorkOrder](s)(s.countersAtStart(o, &workordersv1.Counters{OperatingSeconds: 1234 * 3600}))
		if c := o.GetStartCounters(); c.GetOperatingSeconds() != 1234*3600 || c.GetCycles() != 0 {
			t.Errorf("started at %v", c)
		}
		text := s.preview(o, commonv1.Signature_RELEASED).GetStatement()
		if !strings.Contains(text, "1234:00 h since new, no cycles recorded") {
			t.Errorf("cycles that nobody read are signed as 0: %s", text)
		}
	})
}

// A new engine has run 0 h, and its record says so: work on it starts without a word, and with the hours of its test run. What its record says is held
// against what is read, as of any other engine.
func TestANewEngineStartsAtZero(t *testing.T) {
	engines(t, func(t *testing.T, s *stage) {
		s.near.change(func(n *neighbours) {
			n.record, n.counted = &compliancev1.Counters{}, &date.Date{Year: 2026, Month: 3, Day: 4}
		})
		o := s.kittedUnder("ground-run", "easa-145")
		_, err := s.countersAtStart(o, &workordersv1.Counters{OperatingSeconds: 1234 * hour})
		s.refused(err, "COUNTERS_IMPLAUSIBLE", "1234:00 of hours are more than the 0:00 of the record and 11 days since allow")
		o = must[*workordersv1.WorkOrder](s)(s.countersAtStart(o, nil))
		if c := o.GetStartCounters(); c == nil || c.GetOperatingSeconds() != 0 || c.GetCycles() != 0 || c.GetStarts() != 0 {
			t.Errorf("started at %v", c)
		}
		s.work(o, "ann")
		if text := s.preview(o, commonv1.Signature_RELEASED).GetStatement(); !strings.Contains(text, "0:00 h since new") {
			t.Errorf("the hours are not signed: %s", text)
		}
		o = must[*workordersv1.WorkOrder](s)(s.countersAtEnd(o, &workordersv1.Counters{OperatingSeconds: hour / 2, Starts: 1}))
		if c := o.GetEndCounters(); c.GetOperatingSeconds() != hour/2 || c.GetCycles() != 0 || c.GetStarts() != 1 {
			t.Errorf("ended at %v", c)
		}
	})
}

// Hours that were left out beside cycles are not 0, also where the record has the rest: they are read at the start.
func TestHoursLeftOutOfTheRecordAreRead(t *testing.T) {
	engines(t, func(t *testing.T, s *stage) {
		s.near.change(func(n *neighbours) {
			n.record, n.counted = &compliancev1.Counters{Cycles: 4100}, &date.Date{Year: 2026, Month: 3, Day: 4}
		})
		o := s.kitted("ground-run")
		_, err := s.countersAtStart(o, &workordersv1.Counters{Cycles: 4105})
		s.refused(err, "COUNTERS_MISSING", engine)
		_, err = s.countersAtStart(o, &workordersv1.Counters{OperatingSeconds: 5230 * hour, Cycles: 41})
		s.refused(err, "COUNTERS_IMPLAUSIBLE", "41 of cycles are fewer than the 4100")
		o = must[*workordersv1.WorkOrder](s)(s.countersAtStart(o, &workordersv1.Counters{OperatingSeconds: 5230 * hour}))
		if c := o.GetStartCounters(); c.GetOperatingSeconds() != 5230*hour || c.GetCycles() != 4100 {
			t.Errorf("started at %v", c)
		}
	})
}
