package server_test

import (
	"bytes"
	"context"
	"regexp"
	"strings"
	"testing"
	"time"

	compliancev1 "coldsection.example/proto/coldsection/compliance/v1"
	"coldsection.example/services/platform/auth"
	"coldsection.example/services/platform/fault"
)

func (w *world) subscribe(filter string) *compliancev1.CalendarFeed {
	w.t.Helper()
	return must(w.calendars.CreateCalendarFeed(w.as("viewer"), &compliancev1.CreateCalendarFeedRequest{
		CalendarFeed: &compliancev1.CalendarFeed{DisplayName: "What is due", DueFilter: filter},
	}))(w.t)
}

// read reads a calendar with nothing but its address.
func (w *world) read(address string) *compliancev1.Calendar {
	w.t.Helper()
	return must(w.calendars.GetCalendar(w.t.Context(), &compliancev1.GetCalendarRequest{Name: address + ".ics"}))(w.t)
}

// property is the value of a property of the only entry.
func property(t *testing.T, c *compliancev1.Calendar, name string) string {
	t.Helper()
	found := regexp.MustCompile(`(?m)^`+name+`[:;]([^\r]*)\r$`).FindAllStringSubmatch(string(c.GetContent()), -1)
	if len(found) != 1 {
		t.Fatalf("%d of %s in %s", len(found), name, c.GetContent())
	}
	return found[0][1]
}

// Checks PLN-01 and PLN-02: an entry keeps its id, a change counts up, no change gives the same bytes, and what is no longer due is
// cancelled. The shape is checked with another program where it is written, in package icalendar.
func TestACalendarChangesOnlyWhenSomethingDoes(t *testing.T) {
	onEngines(t, func(t *testing.T, w *world) {
		w.inspect("check", func(r *compliancev1.Requirement) { r.Repeat = limit(compliancev1.IntervalLimit_DAYS, 30) })
		w.done("check", 990, on(2026, 2, 20))
		feed := w.subscribe(`kind = INSPECTION`)
		first := w.read(feed.GetCalendar())
		if !strings.HasPrefix(property(t, first, "DTSTART"), "VALUE=DATE:20260322") || property(t, first, "SEQUENCE") != "0" || property(t, first, "DTSTAMP") != "20260302T090000Z" {
			t.Errorf("%s", first.GetContent())
		}
		w.clock.Advance(26 * time.Hour)
		again := w.read(feed.GetCalendar())
		if !bytes.Equal(again.GetContent(), first.GetContent()) || again.GetEtag() != first.GetEtag() {
			t.Errorf("a day later, without a change:\n%s\nwas\n%s", again.GetContent(), first.GetContent())
		}
		w.done("check", 995, on(2026, 3, 2))
		moved := w.read(feed.GetCalendar())
		if property(t, moved, "UID") != property(t, first, "UID") || property(t, moved, "SEQUENCE") != "1" || !strings.HasPrefix(property(t, moved, "DTSTART"), "VALUE=DATE:20260401") ||
			property(t, moved, "DTSTAMP") != "20260303T110000Z" || moved.GetEtag() == first.GetEtag() {
			t.Errorf("moved: %s", moved.GetContent())
		}
		if err := w.decide("check", false, "removed by the shop"); err != nil {
			t.Fatal(err)
		}
		gone := w.read(feed.GetCalendar())
		if property(t, gone, "STATUS") != "CANCELLED" || property(t, gone, "SEQUENCE") != "2" || property(t, gone, "UID") != property(t, first, "UID") {
			t.Errorf("cancelled: %s", gone.GetContent())
		}
		if twice := w.read(feed.GetCalendar()); twice.GetEtag() != gone.GetEtag() {
			t.Error("a cancelled entry changes with every read")
		}
		w.clock.Advance(89 * 24 * time.Hour)
		if still := w.read(feed.GetCalendar()); still.GetEtag() != gone.GetEtag() {
			t.Errorf("on the 89th day: %s", still.GetContent())
		}
		w.clock.Advance(48 * time.Hour)
		left := w.read(feed.GetCalendar())
		if strings.Contains(string(left.GetContent()), "VEVENT") {
			t.Errorf("after 90 days: %s", left.GetContent())
		}
		if err := w.decide("check", true, "fitted again"); err != nil {
			t.Fatal(err)
		}
		back := w.read(feed.GetCalendar())
		if property(t, back, "UID") != property(t, first, "UID") || property(t, back, "SEQUENCE") != "3" || property(t, back, "STATUS") != "CONFIRMED" {
			t.Errorf("due again: %s", back.GetContent())
		}
	})
}

// A day by hours says that it is projected, and one by the calendar does not. What is no longer known is not shown as cancelled, which would read as
// done: it stays on its day and says so; nor is what has no day because no flying rate is known.
func TestACalendarSaysWhatItsDaysRestOn(t *testing.T) {
	onEngines(t, func(t *testing.T, w *world) {
		w.inspect("days", func(r *compliancev1.Requirement) {
			r.DisplayName, r.Repeat = "Look", limit(compliancev1.IntervalLimit_DAYS, 30)
		})
		w.inspect("hours", func(r *compliancev1.Requirement) {
			r.DisplayName, r.Repeat = "Rinse", limit(compliancev1.IntervalLimit_HOURS, 100*3600)
		})
		w.done("days", 990, on(2026, 2, 20))
		w.done("hours", 990, on(2026, 2, 20))
		feeds := map[string]*compliancev1.CalendarFeed{"days": w.subscribe(`requirement = "requirements/days"`), "hours": w.subscribe(`requirement = "requirements/hours"`)}
		says := func(of, status, summary, day string) {
			t.Helper()
			c := w.read(feeds[of].GetCalendar())
			if property(t, c, "STATUS") != status || property(t, c, "SUMMARY") != summary || property(t, c, "DTSTART") != "VALUE=DATE:"+day {
				t.Errorf("%s: %s; want %s, %s on %s", of, c.GetContent(), status, summary, day)
			}
		}
		says("days", "CONFIRMED", "D-1001: days Look", "20260322")
		says("hours", "CONFIRMED", "D-1001: hours Rinse (day projected from hours)", "20260407") // 90 h at 2.5 h a day: 36 days after 2 March
		plane := must(w.queries.GetAircraft(w.as("viewer"), &compliancev1.GetAircraftRequest{Name: "aircraft/plane"}))(t)
		plane.FlyingRate = &compliancev1.FlyingRate{}
		must(w.commands.UpdateAircraft(w.as("planner"), &compliancev1.UpdateAircraftRequest{Aircraft: plane}))(t)
		says("hours", "CONFIRMED", "D-1001: hours Rinse (no day is known now)", "20260407")
		if err := w.decide("days", true, "looked at"); err != nil {
			t.Fatal(err)
		}
		r := must(w.queries.GetRequirement(w.as("viewer"), &compliancev1.GetRequirementRequest{Name: "requirements/days"}))(t)
		r.DisplayName = "new"
		must(w.commands.UpdateRequirement(w.as("planner"), &compliancev1.UpdateRequirementRequest{Requirement: r}))(t)
		says("days", "CONFIRMED", `Not known when due\, D-1001: days new`, "20260322")
	})
}

// Check PLN-03: the address ends at once when it is revoked, and lets in nowhere else; nor is it kept.
func TestACalendarsAddressIsASecretThatCanBeEnded(t *testing.T) {
	onEngines(t, func(t *testing.T, w *world) {
		feed := w.subscribe("")
		w.read(feed.GetCalendar())
		secret := strings.TrimPrefix(feed.GetCalendar(), "calendars/")
		if n := w.rows("SELECT COUNT(*) FROM calendar_secrets WHERE hash = $1", auth.HashSecret(secret)); n != 1 {
			t.Errorf("%d hashes are kept", n)
		}
		list := must(w.calendars.ListCalendarFeeds(w.as("viewer"), &compliancev1.ListCalendarFeedsRequest{}))(t)
		if len(list.GetCalendarFeeds()) != 1 || list.GetCalendarFeeds()[0].GetCalendar() != "" {
			t.Errorf("%v", list)
		}
		other := auth.NewContext(t.Context(), auth.Identity{Account: "accounts/bea", Roles: []string{"planner"}, Kind: auth.Human})
		if list := must(w.calendars.ListCalendarFeeds(other, &compliancev1.ListCalendarFeedsRequest{}))(t); len(list.GetCalendarFeeds()) != 0 {
			t.Errorf("somebody else sees %v", list)
		}
		for filter, at := range map[string]string{`account:*) OR (account:*`: "10", `account:*) OR account != "accounts/bea" AND (account:*`: "10"} {
			list, err := w.calendars.ListCalendarFeeds(other, &compliancev1.ListCalendarFeedsRequest{Filter: filter})
			if f, ok := fault.As(err); !ok || f.Metadata["position"] != at {
				t.Errorf("somebody else breaks out of the own calendars: %v, %v", list, err)
			}
		}
		_, err := w.calendars.RevokeCalendarFeed(other, &compliancev1.RevokeCalendarFeedRequest{Name: feed.GetName()})
		refused(t, err, "NOT_FOUND")
		_, err = w.queries.ListDueItems(context.WithoutCancel(t.Context()), &compliancev1.ListDueItemsRequest{})
		refused(t, err, "NOT_SIGNED_IN")
		must(w.calendars.RevokeCalendarFeed(w.as("viewer"), &compliancev1.RevokeCalendarFeedRequest{Name: feed.GetName()}))(t)
		for _, address := range []string{feed.GetCalendar(), "calendars/csc_guess", "calendars/" + auth.HashSecret(secret)} {
			_, err = w.calendars.GetCalendar(t.Context(), &compliancev1.GetCalendarRequest{Name: address})
			refused(t, err, "NOT_FOUND")
			if err != nil && strings.Contains(err.Error(), secret) {
				t.Errorf("the refusal repeats the secret: %v", err)
			}
		}
		_, err = w.calendars.CreateCalendarFeed(w.as("viewer"), &compliancev1.CreateCalendarFeedRequest{CalendarFeed: &compliancev1.CalendarFeed{DisplayName: "x", DueFilter: "colour = red"}})
		refused(t, err, "FILTER_INVALID")
	})
}

// A repeated request gives the same calendar a new address, and ends the old one; a calendar of a limited account stays limited.
func TestARepeatedRequestGivesANewAddressAndLimitsStay(t *testing.T) {
	onEngines(t, func(t *testing.T, w *world) {
		w.require("check", compliancev1.Requirement_INSPECTION, 100)
		w.done("check", 990, on(2026, 2, 20))
		limited := auth.NewContext(t.Context(), auth.Identity{Account: "accounts/guest", Roles: []string{"viewer"}, Kind: auth.Human, Owners: []string{"somebody-else"}})
		req := &compliancev1.CreateCalendarFeedRequest{
			RequestId: "5f0c2a30-53d6-4b1b-9f3d-6f5f3c0a7a11", CalendarFeed: &compliancev1.CalendarFeed{DisplayName: "Ours"},
		}
		first, second := must(w.calendars.CreateCalendarFeed(limited, req))(t), must(w.calendars.CreateCalendarFeed(limited, req))(t)
		if first.GetName() != second.GetName() || first.GetCalendar() == second.GetCalendar() {
			t.Errorf("%v, %v", first, second)
		}
		_, err := w.calendars.GetCalendar(t.Context(), &compliancev1.GetCalendarRequest{Name: first.GetCalendar()})
		refused(t, err, "NOT_FOUND")
		if got := w.read(second.GetCalendar()); strings.Contains(string(got.GetContent()), "VEVENT") {
			t.Errorf("another owner's items: %s", got.GetContent())
		}
		if got := w.read(w.subscribe("").GetCalendar()); !strings.Contains(string(got.GetContent()), "BEGIN:VEVENT") {
			t.Errorf("nothing is shown without a limit: %s", got.GetContent())
		}
	})
}
