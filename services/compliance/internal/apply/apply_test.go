package apply_test

import (
	"testing"

	"coldsection.example/services/compliance/internal/apply"
)

var directive = &apply.Rule{Models: []string{"X-1", "X-2"}, Serials: []apply.Range{{First: "1001", Last: "1450"}, {First: "1207", Last: "1207", Excluded: true}}}

// DIR-15 to DIR-17: AMC M.A.305(c)1(b) wants a reason for "not applicable"; "through" includes the end (CAA New Zealand,
// About ADs). The other rows are the design rule that what can't be told is UNKNOWN.
func TestDecide(t *testing.T) {
	modified := &apply.Rule{EmbodiedAny: []string{"MOD-1"}, EmbodiedNone: []string{"MOD-9"}}
	for name, c := range map[string]struct {
		rule   *apply.Rule
		engine apply.Item
		want   apply.Answer
	}{
		"DIR-15 excepted":                   {directive, apply.Item{Model: "X-2", Serial: "1207"}, apply.No},
		"DIR-16 the last one":               {directive, apply.Item{Model: "X-2", Serial: "1450"}, apply.Yes},
		"DIR-17 another model":              {directive, apply.Item{Model: "X-3", Serial: "1100"}, apply.No},
		"the first one":                     {directive, apply.Item{Model: "X-1", Serial: "1001"}, apply.Yes},
		"longer, though it sorts between":   {directive, apply.Item{Model: "X-1", Serial: "10010"}, apply.No},
		"shorter, though it sorts after":    {directive, apply.Item{Model: "X-1", Serial: "999"}, apply.No},
		"leading zeros":                     {directive, apply.Item{Model: "X-1", Serial: "001100"}, apply.Yes},
		"no number to compare":              {directive, apply.Item{Model: "X-1", Serial: "PROTO"}, apply.Unknown},
		"a sure no wins over an unknown":    {directive, apply.Item{Model: "X-3", Serial: "PROTO"}, apply.No},
		"another letter in front":           {directive, apply.Item{Model: "X-1", Serial: "B1100"}, apply.No},
		"nobody decided":                    {nil, apply.Item{Model: "X-1", Serial: "1100"}, apply.Unknown},
		"embodied":                          {modified, apply.Item{Embodied: []string{"MOD-1"}}, apply.Yes},
		"another configuration":             {modified, apply.Item{Embodied: []string{"MOD-2"}}, apply.No},
		"ended by a modification":           {modified, apply.Item{Embodied: []string{"MOD-1", "MOD-9"}}, apply.No},
		"no configuration recorded":         {modified, apply.Item{}, apply.Unknown},
		"another aircraft":                  {&apply.Rule{Aircraft: []string{"aircraft/a"}}, apply.Item{Aircraft: "aircraft/b"}, apply.No},
		"ranges that start in two ways":     {&apply.Rule{Serials: []apply.Range{{First: "A1", Last: "B9"}}}, apply.Item{Serial: "A5"}, apply.Unknown},
		"excepted only, so else for all":    {&apply.Rule{Serials: []apply.Range{{First: "5", Last: "7", Excluded: true}}}, apply.Item{Serial: "8"}, apply.Yes},
		"excepted in the middle of a range": {&apply.Rule{Serials: []apply.Range{{First: "5", Last: "7", Excluded: true}}}, apply.Item{Serial: "6"}, apply.No},
	} {
		t.Run(name, func(t *testing.T) {
			got, reason := apply.Decide(c.rule, c.engine)
			if got != c.want || reason == "" {
				t.Errorf("%v because %q, want %v", got, reason, c.want)
			}
		})
	}
}
