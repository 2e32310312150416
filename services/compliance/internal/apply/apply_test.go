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
		engine apply.Engine
		want   apply.Answer
	}{
		"DIR-15 excepted":                   {directive, apply.Engine{Model: "X-2", Serial: "1207"}, apply.No},
		"DIR-16 the last one":               {directive, apply.Engine{Model: "X-2", Serial: "1450"}, apply.Yes},
		"DIR-17 another model":              {directive, apply.Engine{Model: "X-3", Serial: "1100"}, apply.No},
		"the first one":                     {directive, apply.Engine{Model: "X-1", Serial: "1001"}, apply.Yes},
		"longer, though it sorts between":   {directive, apply.Engine{Model: "X-1", Serial: "10010"}, apply.No},
		"shorter, though it sorts after":    {directive, apply.Engine{Model: "X-1", Serial: "999"}, apply.No},
		"leading zeros":                     {directive, apply.Engine{Model: "X-1", Serial: "001100"}, apply.Yes},
		"no number to compare":              {directive, apply.Engine{Model: "X-1", Serial: "PROTO"}, apply.Unknown},
		"a sure no wins over an unknown":    {directive, apply.Engine{Model: "X-3", Serial: "PROTO"}, apply.No},
		"another letter in front":           {directive, apply.Engine{Model: "X-1", Serial: "B1100"}, apply.No},
		"nobody decided":                    {nil, apply.Engine{Model: "X-1", Serial: "1100"}, apply.Unknown},
		"embodied":                          {modified, apply.Engine{Embodied: []string{"MOD-1"}}, apply.Yes},
		"another configuration":             {modified, apply.Engine{Embodied: []string{"MOD-2"}}, apply.No},
		"ended by a modification":           {modified, apply.Engine{Embodied: []string{"MOD-1", "MOD-9"}}, apply.No},
		"no configuration recorded":         {modified, apply.Engine{}, apply.Unknown},
		"another aircraft":                  {&apply.Rule{Aircraft: []string{"aircraft/a"}}, apply.Engine{Aircraft: "aircraft/b"}, apply.No},
		"ranges that start in two ways":     {&apply.Rule{Serials: []apply.Range{{First: "A1", Last: "B9"}}}, apply.Engine{Serial: "A5"}, apply.Unknown},
		"excepted only, so else for all":    {&apply.Rule{Serials: []apply.Range{{First: "5", Last: "7", Excluded: true}}}, apply.Engine{Serial: "8"}, apply.Yes},
		"excepted in the middle of a range": {&apply.Rule{Serials: []apply.Range{{First: "5", Last: "7", Excluded: true}}}, apply.Engine{Serial: "6"}, apply.No},
	} {
		t.Run(name, func(t *testing.T) {
			got, reason := apply.Decide(c.rule, c.engine)
			if got != c.want || reason == "" {
				t.Errorf("%v because %q, want %v", got, reason, c.want)
			}
		})
	}
}
