package app

import (
	"context"
	"fmt"
	"strconv"
	"strings"

	"google.golang.org/genproto/googleapis/type/date"

	compliancev1 "coldsection.example/proto/coldsection/compliance/v1"
	"coldsection.example/services/platform/resource"
	"coldsection.example/services/platform/sheet"
)

func text(name, title string, weight float64) tableColumn {
	return tableColumn{sheet.Column{Name: name}, title, weight}
}

func day(name, title string) tableColumn {
	return tableColumn{sheet.Column{Name: name, Kind: sheet.Date}, title, 1.8}
}

func whole(name, title string) tableColumn {
	return tableColumn{sheet.Column{Name: name, Kind: sheet.Integer}, title, 1}
}

// hours is a column of hours as "1234:30", which nothing rounds.
func hours(name, title string) tableColumn { return text(name, title, 1.2) }

var dueColumns = []tableColumn{
	text("subject", "Engine", 1.6), text("requirement_code", "Number", 1.4), text("requirement_title", "Requirement", 2.6), text("band", "Standing", 1.3),
	day("due_date", "Due"), text("driving_unit", "By", 1), hours("left_hours", "Hours left"), whole("left_cycles", "Cycles left"), whole("left_days", "Days left"),
	text("explanation", "How it came about", 5),
}

func dueRow(i *compliancev1.DueItem) []string {
	return []string{
		i.GetSubjectLabel(), i.GetRequirementCode(), i.GetRequirementTitle(), word(i.GetBand().String()), resource.DateText(i.GetDueDate()), i.GetDrivingUnit(),
		left(i.GetRemaining(), "hours"), left(i.GetRemaining(), "cycles"), left(i.GetRemaining(), "days"), i.GetExplanation(),
	}
}

var lastAndNextColumns = []tableColumn{
	text("subject", "Engine", 1.6), text("requirement_code", "Number", 1.4), text("requirement_title", "Requirement", 3), day("last_done_date", "Last done"),
	hours("last_done_hours", "at hours"), whole("last_done_cycles", "at cycles"), text("record", "Record", 3), day("next_due_date", "Next due"),
	hours("next_due_hours", "at hours"), whole("next_due_cycles", "at cycles"), text("band", "Standing", 1.3),
}

func lastAndNextRow(i *compliancev1.DueItem) []string {
	at, cycles := "", ""
	if c := i.GetLastDoneCounters(); c != nil {
		at, cycles = span(c.GetOperatingSeconds()), strconv.FormatInt(c.GetCycles(), 10)
	}
	return []string{
		i.GetSubjectLabel(), i.GetRequirementCode(), i.GetRequirementTitle(), resource.DateText(i.GetLastDoneDate()), at, cycles, i.GetLastAccomplishment(),
		resource.DateText(i.GetDueDate()), next(i.GetRemaining(), compliancev1.IntervalLimit_HOURS), next(i.GetRemaining(), compliancev1.IntervalLimit_CYCLES),
		word(i.GetBand().String()),
	}
}

// dueTable fills a table from due items, soonest due first.
func (a *App) dueTable(ctx context.Context, filter string, t table, row func(*compliancev1.DueItem) []string) (table, error) {
	req := &compliancev1.ListDueItemsRequest{PageSize: 1000, Filter: filter}
	for {
		page, err := a.ListDueItems(ctx, req)
		if err != nil {
			return t, err
		}
		for _, item := range page.GetDueItems() {
			t.rows = append(t.rows, row(item))
		}
		if len(t.rows) > maxExported {
			return t, tooMuch()
		}
		if page.GetNextPageToken() == "" {
			return t, nil
		}
		req.PageToken = page.GetNextPageToken()
	}
}

var directiveColumns = []tableColumn{
	text("subject", "Engine", 1.6), text("directive", "Directive", 1.6), whole("revision", "Rev."), day("effective_date", "Effective"), text("directive_title", "Subject", 2.4),
	text("standing", "Standing", 1.5), text("reason", "Reason", 2.4), text("method", "Method", 2), day("last_done_date", "Done"), hours("last_done_hours", "at hours"),
	day("next_due_date", "Next due"), hours("next_due_hours", "at hours"),
}

// directiveTable has the directives of every engine whose due items the filter finds.
func (a *App) directiveTable(ctx context.Context, filter string) (table, error) {
	t := table{name: "directives", title: "Directives", columns: directiveColumns}
	var subjects []string
	labels := map[string]string{}
	_, err := a.dueTable(ctx, filter, t, func(i *compliancev1.DueItem) []string {
		if labels[i.GetSubject()] == "" {
			subjects, labels[i.GetSubject()] = append(subjects, i.GetSubject()), i.GetSubjectLabel()
		}
		return nil
	})
	if err != nil {
		return t, err
	}
	for _, subject := range subjects {
		status, err := a.GetComplianceStatus(ctx, &compliancev1.GetComplianceStatusRequest{Subject: subject})
		if err != nil {
			return t, err
		}
		for _, s := range status.GetRequirementStatuses() {
			if s.GetKind() == compliancev1.Requirement_DIRECTIVE {
				t.rows = append(t.rows, directiveRow(labels[subject], s))
			}
		}
		if len(t.rows) > maxExported {
			return t, tooMuch()
		}
	}
	return t, nil
}

func directiveRow(label string, s *compliancev1.RequirementStatus) []string {
	at := ""
	if c := s.GetLastDoneCounters(); c != nil {
		at = span(c.GetOperatingSeconds())
	}
	var nextDate *date.Date
	for _, r := range s.GetRemaining() {
		if r.GetLimitDate() != nil {
			nextDate = r.GetLimitDate()
		}
	}
	return []string{
		label, s.GetCode(), strconv.Itoa(int(s.GetRevision())), resource.DateText(s.GetEffectiveDate()), s.GetRequirementTitle(), word(s.GetStanding().String()),
		s.GetReason(), s.GetMethod(), resource.DateText(s.GetLastDoneDate()), at, resource.DateText(nextDate), next(s.GetRemaining(), compliancev1.IntervalLimit_HOURS),
	}
}

var lifeColumns = []tableColumn{
	text("part_number", "Part number", 1.6), text("serial", "Serial", 1.4), text("host", "Fitted to", 1.8), whole("cycle_limit", "Limit, cycles"), whole("used_cycles", "Used"),
	whole("remaining_cycles", "Left"), hours("used_hours", "Used hours"), text("band", "Standing", 1.2), text("reason", "Reason", 2.4), text("document", "Document", 2.2),
}

func (a *App) lifeTable(ctx context.Context, filter string) (table, error) {
	t := table{name: "life-limits", title: "Life-limited parts", columns: lifeColumns}
	req := &compliancev1.ListLifeStatusesRequest{Parent: "components/-", PageSize: 1000, Filter: filter}
	for {
		page, err := a.ListLifeStatuses(ctx, req)
		if err != nil {
			return t, err
		}
		for _, s := range page.GetLifeStatuses() {
			t.rows = append(t.rows, lifeRow(s.GetHost(), s))
		}
		if len(t.rows) > maxExported {
			return t, tooMuch()
		}
		if page.GetNextPageToken() == "" {
			return t, nil
		}
		req.PageToken = page.GetNextPageToken()
	}
}

// lifeRow is the life of a part that is fitted to something, as it is called.
func lifeRow(host string, s *compliancev1.LifeStatus) []string {
	return []string{
		s.GetPartNumber(), s.GetSerial(), host, strconv.FormatInt(s.GetCycleLimit(), 10), strconv.FormatInt(s.GetUsedCycles(), 10),
		strconv.FormatInt(s.GetRemainingCycles(), 10), span(s.GetUsedOperatingSeconds()), word(s.GetBand().String()), s.GetBandReason(),
		strings.TrimSpace(s.GetDocument().GetTitle() + " " + s.GetDocument().GetRevision()),
	}
}

// word is an enum's value as a person reads it.
func word(value string) string { return strings.ToLower(strings.ReplaceAll(value, "_", " ")) }

// span is hours and minutes, and seconds where they are not whole minutes.
func span(seconds int64) string {
	sign := ""
	if seconds < 0 {
		sign, seconds = "-", -seconds
	}
	text := fmt.Sprintf("%s%d:%02d", sign, seconds/3600, seconds%3600/60)
	if seconds%60 != 0 {
		text += fmt.Sprintf(":%02d", seconds%60)
	}
	return text
}

// left is the least that is left in hours, cycles or days; empty when nothing counts these.
func left(all []*compliancev1.Remaining, unit string) string {
	found, least := false, int64(0)
	for _, r := range all {
		if unitOf(r) == unit && (!found || r.GetLeft() < least) {
			found, least = true, r.GetLeft()
		}
	}
	switch {
	case !found:
		return ""
	case unit == "hours":
		return span(least)
	default:
		return strconv.FormatInt(least, 10)
	}
}

func unitOf(r *compliancev1.Remaining) string {
	switch {
	case r.GetLimitDate() != nil:
		return "days"
	case r.GetUnit() == compliancev1.IntervalLimit_HOURS:
		return "hours"
	case r.GetUnit() == compliancev1.IntervalLimit_CYCLES:
		return "cycles"
	default:
		return "starts"
	}
}

// next is the counter at which a limit in hours or cycles is reached, the lowest where there are several.
func next(all []*compliancev1.Remaining, unit compliancev1.IntervalLimit_Unit) string {
	found, lowest := false, int64(0)
	for _, r := range all {
		if r.GetUnit() == unit && (!found || r.GetDueCounter() < lowest) {
			found, lowest = true, r.GetDueCounter()
		}
	}
	switch {
	case !found:
		return ""
	case unit == compliancev1.IntervalLimit_HOURS:
		return span(lowest)
	default:
		return strconv.FormatInt(lowest, 10)
	}
}
