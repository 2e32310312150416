package due_test

import (
	"strconv"
	"strings"
	"testing"

	"coldsection.example/services/compliance/internal/casestest"
	"coldsection.example/services/compliance/internal/due"
)

// Rows CMP-08 (exact sums of whole seconds) and CMP-12 (soft life: common practice, no source); the others are checked over gRPC.
func TestComponentCases(t *testing.T) {
	const server, start = "compliance/internal/server/component_cases_test.go", "compliance/internal/server/start_test.go"
	without := map[string]string{
		"CMP-01": server, "CMP-02": server, "CMP-03": server, "CMP-04": server, "CMP-05": server, "CMP-06": server, "CMP-07": server, "CMP-09": server,
		"CMP-10": start, "CMP-11": start,
	}
	if covered := casestest.Run(t, casestest.Checks{"component": component}, without); covered != 2 {
		t.Errorf("covers %d rows", covered)
	}
}

func component(t *testing.T, c *casestest.Row) {
	t.Helper()
	if c.Has("legs") {
		legs(t, c)
		return
	}
	tree := due.Tree{Limits: []due.Limit{{Unit: due.Hours, Amount: seconds(c.Given["due"]), SinceNew: true}}}
	r := tree.Compute(baseAt(t, "0"), due.Now{Today: today, Counters: due.Counters{Seconds: seconds(c.Given["current"])}}, due.Threshold{})
	if c.Given["life"] == "soft" && c.Given["shop_visit"] == "false" {
		r = r.Softened()
	}
	equal(t, "band", string(r.Band), c.Want("status"))
	equal(t, "may operate", strconv.FormatBool(r.Band.MayOperate()), c.Want("may_operate"))
}

// legs adds many short flights one by one.
func legs(t *testing.T, c *casestest.Row) {
	t.Helper()
	many, each, _ := strings.Cut(c.Given["legs"], " x ")
	now := due.Counters{Seconds: seconds(c.Given["tsn"])}
	for range number(many) {
		now.Seconds += seconds(each)
	}
	tree := due.Tree{Limits: []due.Limit{{Unit: due.Hours, Amount: seconds(c.Given["due_tsn"]), SinceNew: true}}}
	r := tree.Compute(baseAt(t, "0"), due.Now{Today: today, Counters: now}, due.Threshold{})
	equal(t, "now", tenths(now.Seconds), c.Want("tsn_now"))
	equal(t, "left", tenths(r.Left[0].Left), c.Want("remaining"))
	equal(t, "band", r.Band, band(c.Want("status")))
}
