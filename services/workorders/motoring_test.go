package workorders_test

import (
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	workordersv1 "coldsection.example/proto/coldsection/workorders/v1"
)

// ran records a run of the starter, from and to in seconds after the morning.
func (s *stage) ran(o *workordersv1.WorkOrder, from, to int, aborted bool) (*workordersv1.MotoringRun, error) {
	return s.ranAs(o, "ann", from, to, aborted)
}

// ranBy is a whole run that somebody else records.
func (s *stage) ranBy(o *workordersv1.WorkOrder, who string, from, to int) (*workordersv1.MotoringRun, error) {
	return s.ranAs(o, who, from, to, false)
}

// seriesGap is longer than runs are looked back at.
const seriesGap = 25 * time.Hour

func (s *stage) ranAs(o *workordersv1.WorkOrder, who string, from, to int, aborted bool) (*workordersv1.MotoringRun, error) {
	at := func(seconds int) *timestamppb.Timestamp {
		return timestamppb.New(morning.Add(time.Duration(seconds) * time.Second))
	}
	return s.do.CreateMotoringRun(s.as(who), &workordersv1.CreateMotoringRunRequest{Parent: o.GetName(), MotoringRun: &workordersv1.MotoringRun{
		StartTime: at(from), EndTime: at(to), Aborted: aborted,
	}})
}

// Cases WO-02 and WO-03 (illustrative limits 30/60/30/60/30 then 30 min): the fourth run is allowed from 00:33:30 after the
// first of 0, 90 and 180 s, and a run at 80 s is not refused but recorded as an exceedance; an aborted run counts.
func TestAnEarlyRunIsRecordedAsAnExceedance(t *testing.T) {
	engines(t, func(t *testing.T, s *stage) {
		o := s.started("recovery-wash")
		s.clock.Advance(time.Hour)
		for _, c := range []struct {
			from, to  int
			aborted   bool
			exceeding bool
		}{{0, 30, false, false}, {80, 85, true, true}, {180, 210, false, false}} {
			run := must[*workordersv1.MotoringRun](s)(s.ran(o, c.from, c.to, c.aborted))
			if run.GetExceedance() != c.exceeding || c.exceeding == (run.GetExceedanceText() == "") || run.GetPerson() != "people/ann" {
				t.Errorf("run at %d s: %v", c.from, run)
			}
		}
		limits := must[*workordersv1.MotoringLimits](s)(s.look.GetMotoringLimits(s.as("ann"), &workordersv1.GetMotoringLimitsRequest{Name: o.GetName() + "/motoringLimits"}))
		if want := morning.Add(33*time.Minute + 30*time.Second); !limits.GetNextAllowedTime().AsTime().Equal(want) || limits.GetSeriesRunCount() != 3 || limits.GetMaxSeconds() != 30 {
			t.Errorf("limits: %v, want %v", limits, want)
		}
		runs := must[*workordersv1.ListMotoringRunsResponse](s)(s.look.ListMotoringRuns(s.as("ann"), &workordersv1.ListMotoringRunsRequest{
			Parent: o.GetName(), Filter: "exceedance = true",
		})).GetMotoringRuns()
		if len(runs) != 1 || !runs[0].GetAborted() {
			t.Errorf("exceedances: %v", runs)
		}
	})
}

// The starter is the engine's: what another order motored within the rest counts.
func TestRunsOfAnotherOrderOfTheEngineCount(t *testing.T) {
	engines(t, func(t *testing.T, s *stage) {
		first, second := s.started("recovery-wash"), s.started("salt-rinse")
		s.clock.Advance(time.Hour)
		must[*workordersv1.MotoringRun](s)(s.ran(first, 0, 30, false))
		if run := must[*workordersv1.MotoringRun](s)(s.ran(second, 60, 80, false)); !run.GetExceedance() {
			t.Errorf("30 s after a run of the other order: %v", run)
		}
		_, err := s.ran(second, 20, 40, false)
		s.refused(err, "RUNS_OVERLAP")
		for _, times := range [][2]int{{300, 300}, {-600, -570}, {7200, 7230}} {
			_, err = s.ran(second, times[0], times[1], false)
			s.refused(err, "RUN_TIMES_INVALID")
		}
		if n := s.count("motoring_runs"); n != 2 {
			t.Errorf("%d runs", n)
		}
	})
}

// A run of an earlier job that is remembered late is no exceedance of this order, but what it left to a run of this one is, and is told.
func TestAnEarlierRunThatIsRememberedLate(t *testing.T) {
	engines(t, func(t *testing.T, s *stage) {
		o := s.started("recovery-wash")
		s.clock.Advance(time.Hour)
		earlier := func(from, to int) *workordersv1.MotoringRun {
			return must[*workordersv1.MotoringRun](s)(s.do.CreateMotoringRun(s.as("ann"), &workordersv1.CreateMotoringRunRequest{Parent: o.GetName(), MotoringRun: &workordersv1.MotoringRun{
				StartTime: timestamppb.New(morning.Add(time.Duration(from) * time.Second)), EndTime: timestamppb.New(morning.Add(time.Duration(to) * time.Second)),
				Purpose: workordersv1.MotoringRun_EARLIER,
			}}))
		}
		if run := must[*workordersv1.MotoringRun](s)(s.ran(o, 20, 40, false)); run.GetExceedance() {
			t.Errorf("nothing was known of earlier runs: %v", run)
		}
		if run := earlier(-300, -200); run.GetExceedance() {
			t.Errorf("100 s were too long, on an earlier job: %v", run)
		}
		if run := earlier(-50, -30); !run.GetExceedance() || !strings.Contains(run.GetExceedanceText(), "too early") {
			t.Errorf("50 s of rest were left before the run of this order: %v", run)
		}
	})
}
