package due_test

import (
	"strconv"
	"strings"
	"testing"

	"coldsection.example/services/compliance/internal/apply"
	"coldsection.example/services/compliance/internal/civil"
	"coldsection.example/services/compliance/internal/due"
)

func tolerance(t *testing.T, c one) {
	t.Helper()
	if class := c.given["class"]; class != "" {
		asked := due.Extension{Seconds: seconds(c.given["requested_variation"])}
		kind := map[string]due.Class{"airworthiness_directive": due.Directive, "airworthiness_limitation": due.LifeLimit}[class]
		err := kind.May(asked, due.Extension{Seconds: 1e6}, due.Tree{Limits: []due.Limit{{Unit: due.Hours, Amount: 360000}}})
		equal(t, "allowed", strconv.FormatBool(err == nil), c.want("allowed"))
		return
	}
	limit := due.Limit{Unit: due.Hours, Amount: seconds(c.given["interval"])}
	tree := due.Tree{Limits: []due.Limit{limit}}
	previous := baseAt(t, c.given["due"])
	previous.Counters.Seconds -= limit.Amount
	now := due.Now{Today: previous.Date}
	if c.given["done"] != "" {
		done := baseAt(t, c.given["done"])
		now.Extension.Seconds = seconds(c.given["second_variation_max"])
		next := limit.Compute(policies[c.given["policy"]].Next(previous, done, tree), now)
		equal(t, "next due", tenths(next.At), c.want("next_due"))
		equal(t, "next hard stop", tenths(next.At+next.Grace), c.want("next_hard_stop"))
		return
	}
	now.Extension.Seconds, now.Counters = seconds(c.given["variation_max"]), baseAt(t, c.given["current"]).Counters
	r := tree.Compute(previous, now, due.Threshold{})
	equal(t, "band", r.Band, band(c.want("status")))
	equal(t, "overdue by", tenths(-r.Left[0].Left), c.want("overdue_by"))
	equal(t, "hard stop", tenths(r.Left[0].At+r.Left[0].Grace), c.want("hard_stop"))
}

// directive sends a row to what answers it.
func directive(t *testing.T, c one) {
	t.Helper()
	switch has := func(key string) bool { _, ok := c.given[key]; return ok }; {
	case has("csn_at_effective"):
		sinceEffective(t, c)
	case has("initial"):
		initial(t, c)
	case has("within_days"):
		r := due.Limit{Unit: due.Days, Amount: number(c.given["within_days"])}.Compute(due.Base{Date: day(t, c.given["effective"])}, due.Now{Today: today})
		equal(t, "due", r.Date.String(), c.want("due"))
	case has("within_hours"):
		limit := due.Limit{Unit: due.Hours, Amount: seconds(c.given["within_hours"])}
		equal(t, "due", tenths(limit.Compute(baseAt(t, c.given["tsn_at_effective"]), due.Now{Today: today}).At), c.want("due_tsn"))
	case has("repeat"):
		repeat(t, c)
	case has("superseded_by"):
		superseded(t, c)
	case has("models"):
		models(t, c)
	case has("applicable"):
		answer, _ := apply.Decide(&apply.Rule{Models: []string{"X-1"}}, apply.Engine{Model: "X-1", Embodied: []string{"a modification in the affected area"}})
		equal(t, "applicable", answer, answers[c.want("applicable")])
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

func initial(t *testing.T, c one) {
	t.Helper()
	tree := due.Tree{Later: c.given["combine"] == "later", Limits: limits(t, c.given["initial"])}
	now := due.Now{Today: day(t, c.given["on"]), Counters: due.Counters{Seconds: seconds(c.given["current_hours"])}}
	r := tree.Compute(due.Base{Date: now.Today}, now, due.Threshold{})
	equal(t, "band", r.Band, band(c.want("status")))
	if want := c.want("remaining_hours"); want != "" {
		equal(t, "hours left", tenths(r.Left[0].Left), want)
	}
	if want := c.want("remaining_days"); want != "" {
		equal(t, "days left", r.Left[1].Left, number(want))
	}
	if want := c.want("binding"); want != "" {
		equal(t, "binding", r.Left[r.Driving].Limit.Unit.Driver(), strings.Replace(want, "date", "calendar", 1))
	}
	if want := c.want("due_when"); want != "" {
		past := now
		past.Today = day(t, "2030-01-01")
		one := tree.Compute(due.Base{Date: now.Today}, past, due.Threshold{})
		equal(t, "due when any", one.Band == due.Overdue && one.Left[0].Left > 0, want == "any")
	}
}

// sinceEffective mixes cycles since new with cycles since the effective date.
func sinceEffective(t *testing.T, c one) {
	t.Helper()
	tree := due.Tree{Later: c.given["combine"] == "later", Limits: limits(t, c.given["initial"])}
	at := due.Counters{Cycles: number(c.given["csn_at_effective"])}
	r := tree.Compute(due.Base{Date: today, Counters: at}, due.Now{Today: today, Counters: at}, due.Threshold{})
	equal(t, "due", r.Left[r.Driving].At, number(c.want("due_csn")))
}

func repeat(t *testing.T, c one) {
	t.Helper()
	done := baseAt(t, c.given["done_hours"])
	done.Date = day(t, c.given["done"])
	r := due.Tree{Limits: limits(t, c.given["repeat"])}
	for i := range r.Limits {
		r.Limits[i].SinceNew = false
	}
	got := r.Compute(done, due.Now{Today: done.Date, Counters: done.Counters}, due.Threshold{})
	equal(t, "next due hours", tenths(got.Left[0].At), c.want("next_due_hours"))
	equal(t, "next due date", got.Left[1].Date.String(), c.want("next_due_date"))
}

func superseded(t *testing.T, c one) {
	t.Helper()
	on, from := day(t, c.given["on"]), day(t, c.given["b_effective"])
	a := due.Life{Replaced: true, ReplacedOn: from, Done: c.given["a_last_done"] != ""}
	b := due.Life{Effective: from, Done: c.given["b_gives_credit"] == "true"}
	equal(t, "A", string(a.On(on)), c.want("status_a"))
	equal(t, "B", string(b.On(on)), c.want("status_b"))
}

// ended: what was done once for all, or ended by a terminating action, has no next due.
func ended(t *testing.T, c one) {
	t.Helper()
	life := due.Life{Done: c.given["done"] != "", Repeats: c.given["kind"] == "recurring", Terminated: c.given["terminating_action_done"] != ""}
	standing := life.On(day(t, c.given["done"]+c.given["terminating_action_done"]).AddDays(1))
	equal(t, "standing", string(standing), c.want("status"))
	equal(t, "has a next due", standing == due.Open || standing == due.Recurring, c.want("next_due") != "none")
}

func models(t *testing.T, c one) {
	t.Helper()
	rule := &apply.Rule{Models: strings.Split(c.given["models"], "|"), Serials: []apply.Range{{First: c.given["serial_from"], Last: c.given["serial_to"]}}}
	if out := c.given["excluded"]; out != "" {
		rule.Serials = append(rule.Serials, apply.Range{First: out, Last: out, Excluded: true})
	}
	answer, why := apply.Decide(rule, apply.Engine{Model: c.given["model"], Serial: c.given["serial"]})
	equal(t, "applicable", answer, answers[c.want("applicable")])
	if c.want("reason_required") == "true" {
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
