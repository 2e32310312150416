package due_test

import (
	"coldsection.example/services/compliance/internal/casestest"

	"strconv"
	"strings"
	"testing"

	"coldsection.example/services/compliance/internal/apply"
	"coldsection.example/services/compliance/internal/civil"
	"coldsection.example/services/compliance/internal/due"
)

// tables are the tables of permitted variations that the rows name: the ILT leaflet "Permitted Variations", table 1(a), and for cycles
// one in the style of JAA TGL 26, from memory. A programme states them as data.
var tables = map[string][]due.Step{
	"10pct_max_500": {{Unit: due.Hours, Percent: 10, Most: 500 * 3600}},
	"tgl26_cycles":  {{Unit: due.Cycles, Percent: 10, Most: 500}, {Unit: due.Cycles, Longest: 500, Percent: 10, Most: 25}},
}

func variation(t *testing.T, c *casestest.Row) {
	t.Helper()
	limit, write := due.Limit{Unit: due.Hours, Amount: seconds(c.Given["interval"])}, tenths
	if c.Given["unit"] == "cycles" {
		limit, write = due.Limit{Unit: due.Cycles, Amount: number(c.Given["interval"])}, func(n int64) string { return tenths(n * 3600) }
	}
	got := due.Permitted(due.Extension{}, tables[c.Given["rule"]], due.Tree{Limits: []due.Limit{limit}})
	equal(t, "variation", write(got.Seconds+got.Cycles), c.Want("variation"))
}

func tolerance(t *testing.T, c *casestest.Row) {
	t.Helper()
	if c.Has("rule") {
		variation(t, c)
		return
	}
	if class := c.Given["class"]; class != "" {
		asked := due.Extension{Seconds: seconds(c.Given["requested_variation"])}
		kind := map[string]due.Class{"airworthiness_directive": due.Directive, "airworthiness_limitation": due.LifeLimit}[class]
		err := kind.May(asked, due.Extension{Seconds: 1e6}, due.Tree{Limits: []due.Limit{{Unit: due.Hours, Amount: 360000}}})
		equal(t, "allowed", strconv.FormatBool(err == nil), c.Want("allowed"))
		return
	}
	limit := due.Limit{Unit: due.Hours, Amount: seconds(c.Given["interval"])}
	tree := due.Tree{Limits: []due.Limit{limit}}
	previous := baseAt(t, c.Given["due"])
	previous.Counters.Seconds -= limit.Amount
	now := due.Now{Today: previous.Date}
	if c.Given["done"] != "" {
		done := baseAt(t, c.Given["done"])
		now.Extension.Seconds = seconds(c.Given["second_variation_max"])
		next := limit.Compute(policies[c.Given["policy"]].Next(previous, done, tree), now)
		equal(t, "next due", tenths(next.At), c.Want("next_due"))
		equal(t, "next hard stop", tenths(next.At+next.Grace), c.Want("next_hard_stop"))
		return
	}
	now.Extension.Seconds, now.Counters = seconds(c.Given["variation_max"]), baseAt(t, c.Given["current"]).Counters
	r := tree.Compute(previous, now, due.Threshold{})
	equal(t, "band", r.Band, band(c.Want("status")))
	equal(t, "overdue by", tenths(-r.Left[0].Left), c.Want("overdue_by"))
	equal(t, "hard stop", tenths(r.Left[0].At+r.Left[0].Grace), c.Want("hard_stop"))
}

// directive sends a row to what answers it.
func directive(t *testing.T, c *casestest.Row) {
	t.Helper()
	switch {
	case c.Has("csn_at_effective"):
		sinceEffective(t, c)
	case c.Has("initial"):
		initial(t, c)
	case c.Has("within_days"):
		r := due.Limit{Unit: due.Days, Amount: number(c.Given["within_days"])}.Compute(due.Base{Date: day(t, c.Given["effective"])}, due.Now{Today: today})
		equal(t, "due", r.Date.String(), c.Want("due"))
	case c.Has("within_hours"):
		limit := due.Limit{Unit: due.Hours, Amount: seconds(c.Given["within_hours"])}
		equal(t, "due", tenths(limit.Compute(baseAt(t, c.Given["tsn_at_effective"]), due.Now{Today: today}).At), c.Want("due_tsn"))
	case c.Has("repeat"):
		repeat(t, c)
	case c.Has("repeat_interval"):
		varied(t, c)
	case c.Has("superseded_by"):
		superseded(t, c)
	case c.Has("models"):
		models(t, c)
	case c.Has("applicable"):
		answer, _ := apply.Decide(&apply.Rule{Models: []string{"X-1"}}, apply.Item{Model: "X-1", Embodied: []string{"a modification in the affected area"}})
		equal(t, "applicable", answer, answers[c.Want("applicable")])
	default:
		ended(t, c)
	}
}

// limits reads "hours:4500.0|date:2025-09-30".
func limits(t *testing.T, text string) (out []due.Limit) {
	t.Helper()
	for part := range strings.SplitSeq(text, "|") {
		kind, value, _ := strings.Cut(part, ":")
		switch kind {
		case "hours":
			out = append(out, due.Limit{Unit: due.Hours, Amount: seconds(value), SinceNew: true})
		case "date":
			out = append(out, due.Limit{Unit: due.FixedDate, Fixed: day(t, value)})
		case "csn":
			out = append(out, due.Limit{Unit: due.Cycles, Amount: number(value), SinceNew: true})
		case "cycles_after_effective":
			out = append(out, due.Limit{Unit: due.Cycles, Amount: number(value)})
		case "months_anniversary":
			out = append(out, due.Limit{Unit: due.Months, Amount: number(value)})
		default:
			t.Fatalf("no limit of the kind %s", kind)
		}
	}
	return out
}

func initial(t *testing.T, c *casestest.Row) {
	t.Helper()
	tree := due.Tree{Later: c.Given["combine"] == "later", Limits: limits(t, c.Given["initial"])}
	now := due.Now{Today: day(t, c.Given["on"]), Counters: due.Counters{Seconds: seconds(c.Given["current_hours"])}}
	r := tree.Compute(due.Base{Date: now.Today}, now, due.Threshold{})
	equal(t, "band", r.Band, band(c.Want("status")))
	if want := c.Want("remaining_hours"); want != "" {
		equal(t, "hours left", tenths(r.Left[0].Left), want)
	}
	if want := c.Want("remaining_days"); want != "" {
		equal(t, "days left", r.Left[1].Left, number(want))
	}
	if want := c.Want("binding"); want != "" {
		equal(t, "binding", r.Left[r.Driving].Limit.Unit.Driver(), strings.Replace(want, "date", "calendar", 1))
	}
	if want := c.Want("due_when"); want != "" {
		past := now
		past.Today = day(t, "2030-01-01")
		one := tree.Compute(due.Base{Date: now.Today}, past, due.Threshold{})
		equal(t, "due when any", one.Band == due.Overdue && one.Left[0].Left > 0, want == "any")
	}
}

// sinceEffective mixes cycles since new with cycles since the effective date.
func sinceEffective(t *testing.T, c *casestest.Row) {
	t.Helper()
	tree := due.Tree{Later: c.Given["combine"] == "later", Limits: limits(t, c.Given["initial"])}
	at := due.Counters{Cycles: number(c.Given["csn_at_effective"])}
	r := tree.Compute(due.Base{Date: today, Counters: at}, due.Now{Today: today, Counters: at}, due.Threshold{})
	equal(t, "due", r.Left[r.Driving].At, number(c.Want("due_csn")))
}

func repeat(t *testing.T, c *casestest.Row) {
	t.Helper()
	done := baseAt(t, c.Given["done_hours"])
	done.Date = day(t, c.Given["done"])
	r := due.Tree{Limits: limits(t, c.Given["repeat"])}
	for i := range r.Limits {
		r.Limits[i].SinceNew = false
	}
	got := r.Compute(done, due.Now{Today: done.Date, Counters: done.Counters}, due.Threshold{})
	equal(t, "next due hours", tenths(got.Left[0].At), c.Want("next_due_hours"))
	equal(t, "next due date", got.Left[1].Date.String(), c.Want("next_due_date"))
}

// varied: one authority lets the interval of a directive vary by 10 %. The arithmetic is that of a table; here it is never used on a
// directive, whoever permits it, so that the interval as written stands.
func varied(t *testing.T, c *casestest.Row) {
	t.Helper()
	tree := due.Tree{Limits: []due.Limit{{Unit: due.Hours, Amount: seconds(c.Given["repeat_interval"])}}}
	permitted := due.Permitted(due.Extension{}, []due.Step{{Unit: due.Hours, Percent: 10}}, tree)
	equal(t, "variation", tenths(permitted.Seconds), c.Want("repeat_variation"))
	equal(t, "used on a directive", due.Directive.May(permitted, permitted, tree) == nil, false)
	equal(t, "used on an inspection", due.Programme.May(permitted, permitted, tree) == nil, true)
}

func superseded(t *testing.T, c *casestest.Row) {
	t.Helper()
	on, from := day(t, c.Given["on"]), day(t, c.Given["b_effective"])
	a := due.Life{Replaced: true, ReplacedOn: from, Done: c.Given["a_last_done"] != ""}
	b := due.Life{Effective: from, Done: c.Given["b_gives_credit"] == "true"}
	equal(t, "A", string(a.On(on)), c.Want("status_a"))
	equal(t, "B", string(b.On(on)), c.Want("status_b"))
}

// ended: what was done once for all, or ended by a terminating action, has no next due.
func ended(t *testing.T, c *casestest.Row) {
	t.Helper()
	life := due.Life{Done: c.Given["done"] != "", Repeats: c.Given["kind"] == "recurring", Terminated: c.Given["terminating_action_done"] != ""}
	standing := life.On(day(t, c.Given["done"]+c.Given["terminating_action_done"]).AddDays(1))
	equal(t, "standing", string(standing), c.Want("status"))
	equal(t, "has a next due", standing == due.Open || standing == due.Recurring, c.Want("next_due") != "none")
}

func models(t *testing.T, c *casestest.Row) {
	t.Helper()
	rule := &apply.Rule{Models: strings.Split(c.Given["models"], "|"), Serials: []apply.Range{{First: c.Given["serial_from"], Last: c.Given["serial_to"]}}}
	if out := c.Given["excluded"]; out != "" {
		rule.Serials = append(rule.Serials, apply.Range{First: out, Last: out, Excluded: true})
	}
	answer, why := apply.Decide(rule, apply.Item{Model: c.Given["model"], Serial: c.Given["serial"]})
	equal(t, "applicable", answer, answers[c.Want("applicable")])
	if c.Want("reason_required") == "true" {
		equal(t, "has a reason", why != "", true)
	}
}

var answers = map[string]apply.Answer{"true": apply.Yes, "false": apply.No}

func TestAnExtensionEndsOnItsLastDay(t *testing.T) {
	tree := due.Tree{Limits: []due.Limit{{Unit: due.Days, Amount: 10}}}
	stop := civil.Date{Year: 2025, Month: 6, Day: 14}
	for days, want := range map[int]due.Band{10: due.Due, 11: due.InTolerance, 13: due.InTolerance, 14: due.Overdue, 16: due.Overdue} {
		now := due.Now{Today: today.AddDays(days), Extension: due.Extension{Days: 5, Stop: stop}}
		if got := tree.Compute(due.Base{Date: today}, now, due.Threshold{}).Band; got != want {
			t.Errorf("day %d: %s, want %s", days, got, want)
		}
	}
}
