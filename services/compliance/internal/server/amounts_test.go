package server_test

import (
	"strings"
	"testing"

	"google.golang.org/genproto/googleapis/type/date"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/fieldmaskpb"

	compliancev1 "coldsection.example/proto/coldsection/compliance/v1"
	"coldsection.example/services/platform/fault"
)

// A limit that nothing reaches would read as current for ever: amounts end at a million hours, ten million cycles or starts and a hundred years, and
// fixed dates at 2299 (our own bounds, no source). The refusal names the field.
func TestAmountsOfLimitsAreBounded(t *testing.T) {
	w := onSQLite(t)
	fixed := func(d *date.Date) *compliancev1.LimitTree {
		return &compliancev1.LimitTree{Limits: []*compliancev1.IntervalLimit{{Unit: compliancev1.IntervalLimit_FIXED_DATE, FixedDate: d}}}
	}
	within := func(sub *compliancev1.LimitTree) *compliancev1.LimitTree {
		out := limit(compliancev1.IntervalLimit_HOURS, 100*3600)
		out.Trees = []*compliancev1.LimitTree{limit(compliancev1.IntervalLimit_CYCLES, 5), sub}
		return out
	}
	for name, c := range map[string]struct {
		repeat        *compliancev1.LimitTree
		reason, field string
	}{
		"a million hours":          {limit(compliancev1.IntervalLimit_HOURS, 3_600_000_000), "", ""},
		"a second more":            {limit(compliancev1.IntervalLimit_HOURS, 3_600_000_001), "LIMIT_INVALID", "requirement.repeat.limits[0].amount"},
		"ten million cycles":       {limit(compliancev1.IntervalLimit_CYCLES, 10_000_000), "", ""},
		"one cycle more":           {limit(compliancev1.IntervalLimit_CYCLES, 10_000_001), "LIMIT_INVALID", "requirement.repeat.limits[0].amount"},
		"one start too many":       {limit(compliancev1.IntervalLimit_STARTS, 10_000_001), "LIMIT_INVALID", "requirement.repeat.limits[0].amount"},
		"a hundred years":          {limit(compliancev1.IntervalLimit_MONTHS, 1200), "", ""},
		"a month more":             {limit(compliancev1.IntervalLimit_MONTHS, 1201), "LIMIT_INVALID", "requirement.repeat.limits[0].amount"},
		"months to the end":        {limit(compliancev1.IntervalLimit_CALENDAR_MONTHS_END, 1201), "LIMIT_INVALID", "requirement.repeat.limits[0].amount"},
		"a hundred years of days":  {limit(compliancev1.IntervalLimit_DAYS, 36_525), "", ""},
		"a day more":               {limit(compliancev1.IntervalLimit_DAYS, 36_526), "LIMIT_INVALID", "requirement.repeat.limits[0].amount"},
		"all that a number holds":  {limit(compliancev1.IntervalLimit_DAYS, 1<<63-1), "LIMIT_INVALID", "requirement.repeat.limits[0].amount"},
		"nothing":                  {limit(compliancev1.IntervalLimit_CYCLES, 0), "LIMIT_INVALID", "requirement.repeat.limits[0].amount"},
		"deep inside":              {within(within(limit(compliancev1.IntervalLimit_MONTHS, 1201))), "LIMIT_INVALID", "requirement.repeat.trees[1].trees[1].limits[0].amount"},
		"the last fixed date":      {fixed(on(2299, 12, 31)), "", ""},
		"a day after it":           {fixed(on(2300, 1, 1)), "DATE_INVALID", "requirement.repeat.limits[0].fixed_date"},
		"the first fixed date":     {fixed(on(1900, 1, 1)), "", ""},
		"a day before it":          {fixed(on(1899, 12, 31)), "DATE_INVALID", "requirement.repeat.limits[0].fixed_date"},
		"a leap day that is not":   {fixed(on(2100, 2, 29)), "DATE_INVALID", "requirement.repeat.limits[0].fixed_date"},
		"a fixed date left out":    {fixed(nil), "DATE_INVALID", "requirement.repeat.limits[0].fixed_date"},
		"deep inside, a bad fixed": {within(fixed(on(2026, 2, 29))), "DATE_INVALID", "requirement.repeat.trees[1].limits[0].fixed_date"},
	} {
		r := &compliancev1.Requirement{
			Code: name, DisplayName: name, Kind: compliancev1.Requirement_INSPECTION, Document: document, Repeat: c.repeat,
			Applicability: &compliancev1.Applicability{EngineModels: []string{"engineModels/demo"}},
		}
		_, err := w.commands.CreateRequirement(w.as("planner"), &compliancev1.CreateRequirementRequest{Requirement: r})
		if c.reason == "" {
			if err != nil {
				t.Errorf("%s: %v", name, err)
			}
			continue
		}
		if !fault.HasReason(err, c.reason) || detail(err) != c.field {
			t.Errorf("%s: %v at %q, want %s at %s", name, err, detail(err), c.reason, c.field)
		}
	}
}

// detail is what a refusal says of fields.
func detail(err error) string {
	f, ok := fault.As(err)
	if !ok {
		return ""
	}
	var out []string
	for _, v := range f.Violations {
		out = append(out, v.Field)
	}
	return strings.Join(out, " ")
}

// What a requirement said before there were bounds stays as it is while something else is revised; what is changed is held to them.
func TestARequirementOfBeforeTheBoundsCanBeRevised(t *testing.T) {
	onEngines(t, func(t *testing.T, w *world) {
		long := &compliancev1.IntervalLimit{Unit: compliancev1.IntervalLimit_HOURS, Amount: 9_000_000_000}
		w.inspect("old", func(r *compliancev1.Requirement) {
			r.Repeat = limit(compliancev1.IntervalLimit_HOURS, 100*3600)
			r.Tolerance = &compliancev1.Tolerance{OperatingSeconds: 10 * 3600, Document: document}
		})
		r := must(w.queries.GetRequirement(w.as("viewer"), &compliancev1.GetRequirementRequest{Name: "requirements/old"}))(t)
		r.Repeat.Limits = []*compliancev1.IntervalLimit{long}
		r.Tolerance.Days = 1 << 30
		body, err := proto.Marshal(r)
		if err != nil {
			t.Fatal(err)
		}
		w.exec("UPDATE requirements SET body = $1 WHERE name = $2", body, r.GetName())
		update := func(edit func(*compliancev1.Requirement), paths ...string) error {
			next := proto.CloneOf(r)
			next.Etag = ""
			edit(next)
			_, err := w.commands.UpdateRequirement(w.as("planner"), &compliancev1.UpdateRequirementRequest{Requirement: next, UpdateMask: &fieldmaskpb.FieldMask{Paths: paths}})
			return err
		}
		if err := update(func(r *compliancev1.Requirement) { r.DisplayName = "another title" }, "display_name"); err != nil {
			t.Errorf("another title: %v", err)
		}
		if err := update(func(r *compliancev1.Requirement) {
			r.Repeat.Limits = append(r.Repeat.Limits, limit(compliancev1.IntervalLimit_DAYS, 30).GetLimits()...)
		}, "repeat"); err != nil {
			t.Errorf("another limit beside it: %v", err)
		}
		refused(t, update(func(r *compliancev1.Requirement) { r.Repeat.Limits[0].Amount++ }, "repeat"), "LIMIT_INVALID")
		refused(t, update(func(r *compliancev1.Requirement) { r.Tolerance.Cycles = 10_000_001 }, "tolerance"), "LIMIT_INVALID")
	})
}

// A life limit of a part ends somewhere, too.
func TestALifeLimitIsBounded(t *testing.T) {
	w := onSQLite(t)
	for name, c := range map[string]struct {
		cycles, seconds int64
		good            bool
	}{"the most": {10_000_000, 3_600_000_000, true}, "a cycle more": {10_000_001, 0, false}, "a second more": {0, 3_600_000_001, false}} {
		_, err := w.commands.CreateLifeLimit(w.as("quality"), &compliancev1.CreateLifeLimitRequest{LifeLimit: &compliancev1.LifeLimit{
			PartNumber: "P-1", EngineModel: "engineModels/demo", Document: document, EffectiveDate: on(2026, 1, 1), Formula: compliancev1.LifeLimit_LOGGED_CYCLES,
			CycleLimit: c.cycles, OperatingSecondsLimit: c.seconds,
		}})
		if c.good {
			must(0, err)(t)
			continue
		}
		if refused(t, err, "LIFE_LIMIT_INVALID"); t.Failed() {
			t.Fatalf("%s: %v", name, err)
		}
	}
}
