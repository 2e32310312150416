package server_test

import (
	"fmt"
	"testing"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	compliancev1 "coldsection.example/proto/coldsection/compliance/v1"
)

// R15 on both sides of the day line, where clocks change and where midnight is skipped: the last permitted day is a day where the aircraft is. The item, the
// list by its band, and the status of that instant asked a day later say the same.
func TestTheLastDayIsTheDayWhereTheAircraftIs(t *testing.T) {
	onEngines(t, func(t *testing.T, w *world) {
		w.inspect("days", func(r *compliancev1.Requirement) {
			r.Repeat, r.Near = limit(compliancev1.IntervalLimit_DAYS, 30), &compliancev1.NearThreshold{Days: 1}
		})
		zones := []string{"Pacific/Kiritimati", "Etc/GMT+12", "America/New_York", "Asia/Beirut", ""}
		last := map[string]time.Time{} // America/New_York puts its clocks forward on the 8th of March 2026, Asia/Beirut at midnight before the 29th
		for i, zone := range zones {
			due := time.Date(2026, 3, 8, 0, 0, 0, 0, time.UTC)
			if zone == "Asia/Beirut" {
				due = time.Date(2026, 3, 29, 0, 0, 0, 0, time.UTC)
			}
			last[zone] = due
			id := fmt.Sprint("z", i)
			w.bare(id, runs(1000, 800))
			must(w.commands.UpdateAircraft(w.as("planner"), &compliancev1.UpdateAircraftRequest{Aircraft: &compliancev1.Aircraft{Name: "aircraft/" + id, TimeZone: zone}}))(t)
			must(w.commands.CreateAccomplishment(w.as("quality"), &compliancev1.CreateAccomplishmentRequest{
				Parent: "requirements/days", ReauthenticationToken: w.proof(), Accomplishment: &compliancev1.Accomplishment{
					Subject: "engines/" + id, DoneDate: day(due.AddDate(0, 0, -30)), Counters: runs(990, 790), LateEntryReason: "on paper",
				},
			}))(t)
		}
		type seen struct {
			at   time.Time
			want [5]string
		}
		var all []seen
		want := func(at time.Time) (out [5]string) {
			for i, zone := range zones {
				there, err := time.LoadLocation(zone)
				if err != nil {
					t.Fatal(err)
				}
				y, m, d := at.In(there).Date()
				switch left := int(last[zone].Sub(time.Date(y, m, d, 0, 0, 0, 0, time.UTC)).Hours()) / 24; {
				case left < 0:
					out[i] = fmt.Sprint("OVERDUE ", left)
				case left == 0:
					out[i] = "DUE 0"
				case left == 1:
					out[i] = "NEAR 1"
				default:
					out[i] = fmt.Sprint("CURRENT ", left)
				}
			}
			return out
		}
		for _, from := range []time.Time{time.Date(2026, 3, 7, 9, 30, 0, 0, time.UTC), time.Date(2026, 3, 28, 20, 30, 0, 0, time.UTC)} {
			w.clock.Advance(from.Sub(w.clock.Now()))
			for range 26 {
				at := w.clock.Now()
				all = append(all, seen{at, want(at)})
				overdue := map[string]bool{}
				for _, item := range must(w.queries.ListDueItems(w.as("viewer"), &compliancev1.ListDueItemsRequest{Filter: "requirement = requirements/days AND band = OVERDUE"}))(t).GetDueItems() {
					overdue[item.GetSubject()] = true
				}
				for i := range zones {
					item := w.dueOn("days", fmt.Sprint("z", i))
					got := fmt.Sprint(item.GetBand(), " ", item.GetRemaining()[0].GetLeft())
					if got != all[len(all)-1].want[i] || overdue[item.GetSubject()] != (item.GetBand() == compliancev1.DueItem_OVERDUE) {
						t.Errorf("%s at %s: %s, want %s; in the list of what is overdue: %t", zones[i], at, got, all[len(all)-1].want[i], overdue[item.GetSubject()])
					}
				}
				w.clock.Advance(100 * time.Minute)
			}
		}
		for k, one := range all {
			if k%5 != 0 {
				continue
			}
			for i := range zones {
				s := must(w.queries.GetComplianceStatus(w.as("viewer"), &compliancev1.GetComplianceStatusRequest{
					Subject: fmt.Sprint("engines/z", i), AsOfTime: timestamppb.New(one.at), KnownAtTime: timestamppb.New(one.at),
				}))(t)
				if item := s.GetDueItems()[0]; fmt.Sprint(item.GetBand(), " ", item.GetRemaining()[0].GetLeft()) != one.want[i] {
					t.Errorf("%s at %s, asked later: %v, want %s", zones[i], one.at, item, one.want[i])
				}
			}
		}
	})
}
