package main

import (
	"fmt"
	"io"
	"strings"
)

// goal is one of the goals for a fleet of some 540 days, with what was reached.
type goal struct {
	what string
	got  string
	met  bool
}

func (s share) part() float64 { return float64(s.hit) / float64(max(1, s.of)) }

func (s share) plus(t share) share { return share{s.hit + t.hit, s.of + t.of} }

// reached holds the score against each goal. Nothing to judge by is no miss, and is seen from "0 of 0". The intervals of the three
// deviations are one goal together: each alone has too few on a single fleet to tell 85 from 95 %.
func (s *result) reached() []goal {
	covered := s.itt.plus(s.ng).plus(s.fuel)
	return []goal{
		{"at most one false advice per 5 healthy engines", fmt.Sprintf("%d on %d", s.falseAdvices, s.healthy), 5*s.falseAdvices <= s.healthy},
		{fmt.Sprintf("steps flagged within %d days", stepDays), s.steps.String(), s.steps.hit == s.steps.of},
		{fmt.Sprintf("slow ramps flagged within %d days", rampDays), s.ramps.String(), s.ramps.hit == s.ramps.of},
		{"right or \"cannot tell\" in at least 85 %", s.honest.String(), s.honest.of == 0 || s.honest.part() >= 0.85},
		{"firmly wrong in at most 5 %", s.wrong.String(), s.wrong.part() <= 0.05},
		{"90 % recovery intervals cover 85 to 95 %", covered.String(), covered.of == 0 || covered.part() >= 0.85 && covered.part() <= 0.95},
		{"at least 90 % of logging mistakes caught", s.caught.String(), s.caught.of == 0 || s.caught.part() >= 0.9},
		{"at most 1 % of good readings rejected", s.rejected.String(), s.rejected.part() <= 0.01},
	}
}

// goals are the lines that say of each goal whether it is met.
func (s *result) goals() []string {
	var lines []string
	for _, g := range s.reached() {
		word := "met   "
		if !g.met {
			word = "MISSED"
		}
		lines = append(lines, fmt.Sprintf("%s  %s: %s", word, g.what, g.got))
	}
	return lines
}

// tell writes which goals a fleet meets.
func (s *result) tell(w io.Writer, fleet string) error {
	_, err := fmt.Fprintf(w, "%s:\n  %s\n", fleet, strings.Join(s.goals(), "\n  "))
	return err
}
