package app

import (
	"context"
	"strings"

	commonv1 "coldsection.example/proto/coldsection/common/v1"
	compliancev1 "coldsection.example/proto/coldsection/compliance/v1"
	"coldsection.example/services/platform/sheet"
)

// requirementColumns are the columns of a table of requirements.
var requirementColumns = []sheet.Want{
	{Name: "requirement_id", Required: true}, {Name: "code", Required: true}, {Name: "display_name", Aliases: []string{"title", "name"}, Required: true},
	{Name: "kind", Required: true}, {Name: "document", Required: true}, {Name: "document_revision"}, {Name: "document_section"}, {Name: "engine_models"},
	{Name: "engines"}, {Name: "aircraft"}, {Name: "serials"}, {Name: "embodied_any"}, {Name: "embodied_none"}, {Name: "subject_kind"}, {Name: "part_numbers"},
	{Name: "aircraft_models"}, {Name: "initial_hours", Kind: sheet.Hours}, {Name: "initial_cycles", Kind: sheet.Integer}, {Name: "initial_starts", Kind: sheet.Integer},
	{Name: "initial_calendar_months", Kind: sheet.Integer}, {Name: "initial_months", Kind: sheet.Integer}, {Name: "initial_days", Kind: sheet.Integer},
	{Name: "initial_date", Kind: sheet.Date}, {Name: "initial_combine"}, {Name: "repeat_hours", Kind: sheet.Hours}, {Name: "repeat_cycles", Kind: sheet.Integer},
	{Name: "repeat_starts", Kind: sheet.Integer}, {Name: "repeat_calendar_months", Kind: sheet.Integer}, {Name: "repeat_months", Kind: sheet.Integer},
	{Name: "repeat_days", Kind: sheet.Integer}, {Name: "repeat_combine"}, {Name: "rebase"}, {Name: "start_event"}, {Name: "effective_date", Kind: sheet.Date},
	{Name: "tolerance_hours", Kind: sheet.Hours}, {Name: "tolerance_cycles", Kind: sheet.Integer}, {Name: "tolerance_days", Kind: sheet.Integer},
	{Name: "near_hours", Kind: sheet.Hours}, {Name: "near_cycles", Kind: sheet.Integer}, {Name: "near_days", Kind: sheet.Integer}, {Name: "soft", Kind: sheet.Bool},
	{Name: "task_card"}, {Name: "terminates"},
}

// doneColumns are the columns of a table of work done before.
var doneColumns = []sheet.Want{
	{Name: "source_id", Required: true}, {Name: "requirement", Required: true}, {Name: "subject", Required: true}, {Name: "done_date", Kind: sheet.Date, Required: true},
	{Name: "late_entry_reason", Required: true}, {Name: "operating_hours", Kind: sheet.Hours}, {Name: "cycles", Kind: sheet.Integer},
	{Name: "starts", Kind: sheet.Integer}, {Name: "document_reference"}, {Name: "method"},
}

func (i *importer) requirement(ctx context.Context, group []sheet.Record) (string, error) {
	r := group[0]
	rule := &compliancev1.Requirement{
		Code: r.Get("code").Text, DisplayName: r.Get("display_name").Text, EffectiveDate: dateIn(r, "effective_date"), Soft: yes(r, "soft"),
		Document: &commonv1.DocumentReference{Title: r.Get("document").Text, Revision: r.Get("document_revision").Text, Section: r.Get("document_section").Text},
		TaskCard: named("taskCards/", r.Get("task_card").Text), Terminates: named("requirements/", r.Get("terminates").Text),
		Tolerance: toleranceIn(r), Near: nearIn(r),
	}
	for _, part := range []func(sheet.Record, *compliancev1.Requirement) error{policyIn, conditionsIn, limitsIn} {
		if err := part(r, rule); err != nil {
			return "", err
		}
	}
	req := &compliancev1.CreateRequirementRequest{RequirementId: r.Get("requirement_id").Text, Requirement: rule}
	if err := i.check(req); err != nil {
		return "", err
	}
	made, err := i.createRequirement(ctx, req)
	return made.GetName(), err
}

// policyIn reads the kind of a requirement and what its intervals count from.
func policyIn(r sheet.Record, rule *compliancev1.Requirement) error {
	kind, err := choice(r, "kind", compliancev1.Requirement_Kind_value)
	if err != nil {
		return err
	}
	rebase, err := choice(r, "rebase", compliancev1.Requirement_Rebase_value)
	if err != nil {
		return err
	}
	start, err := choice(r, "start_event", compliancev1.Requirement_StartEvent_value)
	rule.Kind, rule.Rebase, rule.StartEvent = compliancev1.Requirement_Kind(kind), compliancev1.Requirement_Rebase(rebase), compliancev1.Requirement_StartEvent(start)
	return err
}

// conditionsIn reads to what a requirement applies; without any condition nobody has decided it.
func conditionsIn(r sheet.Record, rule *compliancev1.Requirement) error {
	subject, err := choice(r, "subject_kind", compliancev1.Applicability_SubjectKind_value)
	if err != nil {
		return err
	}
	a := &compliancev1.Applicability{
		EngineModels: allNamed(r, "engine_models", "engineModels/"), Engines: allNamed(r, "engines", "engines/"), Aircraft: allNamed(r, "aircraft", "aircraft/"),
		EmbodiedAny: texts(r, "embodied_any"), EmbodiedNone: texts(r, "embodied_none"), PartNumbers: texts(r, "part_numbers"),
		AircraftModels: texts(r, "aircraft_models"), SubjectKind: compliancev1.Applicability_SubjectKind(subject),
	}
	for _, text := range texts(r, "serials") {
		one := &compliancev1.SerialRange{}
		text, one.Excluded = strings.CutPrefix(text, "!")
		first, last, between := strings.Cut(text, "..")
		if !between {
			last = first
		}
		one.FirstSerial, one.LastSerial = strings.TrimSpace(first), strings.TrimSpace(last)
		a.SerialRanges = append(a.SerialRanges, one)
	}
	for _, column := range []string{"engine_models", "engines", "aircraft", "serials", "embodied_any", "embodied_none", "part_numbers", "aircraft_models", "subject_kind"} {
		if r.Get(column).Given {
			rule.Applicability = a
		}
	}
	return nil
}

func limitsIn(r sheet.Record, rule *compliancev1.Requirement) (err error) {
	if rule.Initial, err = treeIn(r, "initial_"); err != nil {
		return err
	}
	rule.Repeat, err = treeIn(r, "repeat_")
	return err
}

// limitColumns are the columns of limits in the order that they are kept in.
var limitColumns = []struct {
	name string
	unit compliancev1.IntervalLimit_Unit
}{
	{"hours", compliancev1.IntervalLimit_HOURS}, {"cycles", compliancev1.IntervalLimit_CYCLES}, {"starts", compliancev1.IntervalLimit_STARTS},
	{"calendar_months", compliancev1.IntervalLimit_CALENDAR_MONTHS_END}, {"months", compliancev1.IntervalLimit_MONTHS}, {"days", compliancev1.IntervalLimit_DAYS},
	{"date", compliancev1.IntervalLimit_FIXED_DATE},
}

// treeIn reads limits and how they combine, nil when there is none.
func treeIn(r sheet.Record, prefix string) (*compliancev1.LimitTree, error) {
	combine, err := choice(r, prefix+"combine", compliancev1.LimitTree_Combine_value)
	if err != nil {
		return nil, err
	}
	tree := &compliancev1.LimitTree{Combine: compliancev1.LimitTree_Combine(combine)}
	for _, c := range limitColumns {
		if r.Get(prefix + c.name).Given {
			tree.Limits = append(tree.Limits, &compliancev1.IntervalLimit{Unit: c.unit, Amount: number(r, prefix+c.name), FixedDate: dateIn(r, prefix+c.name)})
		}
	}
	if len(tree.GetLimits()) == 0 {
		return nil, nil //nolint:nilnil // no limit
	}
	return tree, nil
}

// toleranceIn is what the document of the requirement permits, nil when nothing is.
func toleranceIn(r sheet.Record) *compliancev1.Tolerance {
	if !r.Get("tolerance_hours").Given && !r.Get("tolerance_cycles").Given && !r.Get("tolerance_days").Given {
		return nil
	}
	return &compliancev1.Tolerance{
		OperatingSeconds: number(r, "tolerance_hours"), Cycles: number(r, "tolerance_cycles"), Days: small(r, "tolerance_days"),
		Document: &commonv1.DocumentReference{Title: r.Get("document").Text, Revision: r.Get("document_revision").Text, Section: r.Get("document_section").Text},
	}
}

func nearIn(r sheet.Record) *compliancev1.NearThreshold {
	if !r.Get("near_hours").Given && !r.Get("near_cycles").Given && !r.Get("near_days").Given {
		return nil
	}
	return &compliancev1.NearThreshold{OperatingSeconds: number(r, "near_hours"), Cycles: number(r, "near_cycles"), Days: small(r, "near_days")}
}

// lastDone takes one entry of the past, which the proofs of the whole table sign.
func (i *importer) lastDone(ctx context.Context, group []sheet.Record) (string, error) {
	r := group[0]
	entry := &compliancev1.Accomplishment{
		Subject: r.Get("subject").Text, DoneDate: dateIn(r, "done_date"), Counters: countersOfRow(r), DocumentReference: r.Get("document_reference").Text,
		Method: r.Get("method").Text, LateEntryReason: r.Get("late_entry_reason").Text,
	}
	req := &compliancev1.CreateAccomplishmentRequest{
		Parent: named("requirements/", r.Get("requirement").Text), Accomplishment: entry, ReauthenticationToken: "verified before",
	}
	if err := i.check(req); err != nil {
		return "", err
	}
	longAgo, err := i.checkEntry(entry)
	if err != nil {
		return "", err
	}
	if longAgo {
		if entry.SecondPerson, err = i.secondPerson(ctx, i.proofs); err != nil {
			return "", longAgoNeeds(entry, err)
		}
		i.second = true
	}
	entry.Certifier = i.caller.Person
	made, err := i.accomplish(ctx, req.GetParent(), "", entry)
	return made.GetName(), err
}
