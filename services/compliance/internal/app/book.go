package app

import (
	compliancev1 "coldsection.example/proto/coldsection/compliance/v1"
	"coldsection.example/services/compliance/internal/apply"
	"coldsection.example/services/compliance/internal/due"
)

// book is what is looked up of requirements for every item, worked out once for all items. It is never changed, so that many may look things up. Without
// one, as when a day of the past is asked about, the same is worked out each time.
type book struct {
	ruleset string // which requirements they are, as rulesOf tells
	limits  map[*compliancev1.LimitTree]due.Tree
	rules   map[*compliancev1.Requirement]*apply.Rule
	enders  map[string][]*compliancev1.Requirement // those whose doing ends a requirement, by its name
}

func bookOf(rules []*compliancev1.Requirement) *book {
	b := &book{
		ruleset: rulesOf(rules), limits: map[*compliancev1.LimitTree]due.Tree{}, rules: map[*compliancev1.Requirement]*apply.Rule{},
		enders: map[string][]*compliancev1.Requirement{},
	}
	for _, r := range rules {
		for _, t := range []*compliancev1.LimitTree{r.GetInitial(), r.GetRepeat()} {
			if t != nil {
				b.limits[t] = treeOf(t)
			}
		}
		b.rules[r] = ruleOf(r)
		if r.GetTerminates() != "" {
			b.enders[r.GetTerminates()] = append(b.enders[r.GetTerminates()], r)
		}
	}
	return b
}

// tree is limits as they are counted by.
func (s seen) tree(t *compliancev1.LimitTree) due.Tree {
	if s.book != nil {
		if tree, ok := s.book.limits[t]; ok {
			return tree
		}
	}
	return treeOf(t)
}

// rule is to what a requirement applies, nil when nobody decided that yet.
func (s seen) rule(r *compliancev1.Requirement) *apply.Rule {
	if s.book != nil {
		if rule, ok := s.book.rules[r]; ok {
			return rule
		}
	}
	return ruleOf(r)
}

// enders are the requirements of which some end another one when they are done.
func (s seen) enders(requirement string) []*compliancev1.Requirement {
	if s.book != nil {
		return s.book.enders[requirement]
	}
	return s.rules
}
