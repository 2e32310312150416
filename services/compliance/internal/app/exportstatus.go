package app

import (
	"context"
	"fmt"
	"strconv"

	compliancev1 "coldsection.example/proto/coldsection/compliance/v1"
	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/resource"
)

var statusColumns = []tableColumn{
	text("subject", "Of", 2), text("requirement_code", "Number", 1.4), whole("revision", "Rev."), text("requirement_title", "Requirement", 2.4), text("kind", "Kind", 1.3),
	text("standing", "Standing", 1.5), text("reason", "Reason", 2.4), text("method", "Method", 2), day("last_done_date", "Done"), hours("last_done_hours", "at hours"),
	day("next_due_date", "Next due"), hours("next_due_hours", "at hours"), text("record", "Record", 2.4),
}

// statusOnly refuses times and a subject for a list of now, and a status of nothing. Reasons: STATUS_ONLY, SUBJECT_MISSING.
func statusOnly(req *compliancev1.ExportDueItemsRequest) error {
	asked := req.GetSubject() != "" || req.GetAsOfTime() != nil || req.GetKnownAtTime() != nil
	switch is := req.GetContent() == compliancev1.ExportDueItemsRequest_STATUS; {
	case asked && !is:
		return fault.Invalid("content", "STATUS_ONLY", "Only STATUS is of one subject and of other times than now; %s is not. Ask for STATUS, or leave them out.", req.GetContent())
	case is && req.GetSubject() == "":
		return fault.Invalid("subject", "SUBJECT_MISSING", "A status is that of one thing. Name an aircraft, an engine or a component.")
	default:
		return nil
	}
}

// statusTable is how a thing stood at one time, as far as it was known at another, requirement by requirement.
func (a *App) statusTable(ctx context.Context, req *compliancev1.ExportDueItemsRequest) (table, error) {
	status, err := a.GetComplianceStatus(ctx, &compliancev1.GetComplianceStatusRequest{
		Subject: req.GetSubject(), AsOfTime: req.GetAsOfTime(), KnownAtTime: req.GetKnownAtTime(),
	})
	if err != nil {
		return table{}, err
	}
	t := table{
		name: "status", title: "Status of " + req.GetSubject(), columns: statusColumns, at: status.GetAsOfTime().AsTime(), known: status.GetKnownAtTime().AsTime(),
		notes: statusNotes(status),
	}
	for _, s := range status.GetRequirementStatuses() {
		line := directiveRow(s.GetSubject(), s)
		t.rows = append(t.rows, []string{
			line[0], line[1], line[2], s.GetRequirementTitle(), word(s.GetKind().String()), line[5], line[6], line[7], line[8], line[9], line[10], line[11], s.GetLastAccomplishment(),
		})
	}
	return t, nil
}

// countersSaid are counters as a sentence; those that are not known say so.
func countersSaid(c *compliancev1.Counters) string {
	if c == nil {
		return "Counters: not known."
	}
	return fmt.Sprintf("Counters: %s hours, %d cycles, %d starts, %d landings.", span(c.GetOperatingSeconds()), c.GetCycles(), c.GetStarts(), c.GetLandings())
}

// statusNotes says the counters, whether all was in order, and what was not.
func statusNotes(s *compliancev1.ComplianceStatus) []string {
	notes := []string{countersSaid(s.GetCounters())}
	if s.GetCompliant() {
		return append(notes, "Nothing was overdue, unknown or undecided.")
	}
	notes = append(notes, "Overdue, unknown or undecided: "+strconv.Itoa(len(s.GetExceptions()))+".")
	for _, e := range s.GetExceptions() {
		notes = append(notes, "– "+e)
	}
	for _, f := range s.GetOpenFindings() {
		notes = append(notes, "Finding of "+resource.DateText(f.GetOriginalDate())+": "+f.GetDescription()+". "+f.GetExplanation())
	}
	return notes
}
