// Package advice weighs the reasons to wash: the earliest decides, and each says why.
//
// Hours are hours of operation from now; 0 and less is due now. A wash is never advised for what a wash can't cure: then the
// check that separates the causes comes first.
package advice

import (
	"cmp"
	"fmt"
	"math"
	"slices"
)

// Reason is a rule that asks for a wash, or why it does not.
type Reason struct {
	Cause  string // trend, economics, programme, environment, margin
	Kind   string // recovery_wash or salt_rinse
	Known  bool   // Hours are known; otherwise Text says why not
	Hours  float64
	Text   string
	Source string
}

// Uncured is a change that a wash does not cure.
type Uncured struct {
	Cause, Check string
	Named        bool
}

// Advice is what to do, when, and why.
type Advice struct {
	Reasons []Reason // the known ones first, the earliest at the top
	// Wash and Rinse are the places of the deciding reasons; −1 is none. A recovery wash is also a rinse, so that a rinse stands
	// only when it comes before the wash.
	Wash, Rinse int
	Blocked     string // why no recovery wash is advised although a rule asks for one
}

// Decide weighs the reasons; one with hours that are no number is taken as not known.
func Decide(reasons []Reason, uncured []Uncured) Advice {
	out := Advice{Reasons: slices.Clone(reasons), Wash: -1, Rinse: -1}
	for i := range out.Reasons {
		if r := &out.Reasons[i]; math.IsNaN(r.Hours) || math.IsInf(r.Hours, 0) {
			r.Known, r.Hours = false, 0
		}
	}
	slices.SortStableFunc(out.Reasons, func(a, b Reason) int {
		if a.Known != b.Known {
			if a.Known {
				return -1
			}
			return 1
		}
		return cmp.Compare(a.Hours, b.Hours)
	})
	out.Wash = out.first("recovery_wash", 0)
	out.block(uncured) // a wash that is not advised is no rinse either
	if rinse := out.first("salt_rinse", 0); out.Wash < 0 || rinse < out.Wash {
		out.Rinse = rinse
	}
	return out
}

// first is the place of the first known reason of a kind from a place on; −1 is none.
func (a *Advice) first(kind string, from int) int {
	at := slices.IndexFunc(a.Reasons[from:], func(r Reason) bool { return r.Known && r.Kind == kind })
	if at < 0 {
		return at
	}
	return from + at
}

// block takes back a wash for the trend, the margin or the money when the change is none of dirt; the programme's stays, because
// the operator's programme binds whatever the readings say.
func (a *Advice) block(uncured []Uncured) {
	if a.Wash < 0 || len(uncured) == 0 {
		return
	}
	u := uncured[len(uncured)-1]
	what := "The readings changed in a way that dirt does not explain"
	if u.Named {
		what = fmt.Sprintf("The readings changed as by %s, which no wash cures", u.Cause)
	}
	a.Blocked = fmt.Sprintf("%s. Before a wash for the sake of the readings: %s", what, u.Check)
	for a.Wash >= 0 && a.Reasons[a.Wash].Cause != "programme" {
		a.Wash = a.first("recovery_wash", a.Wash+1)
	}
}
