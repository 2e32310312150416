package analysis

import (
	"fmt"
	"slices"
	"time"
)

// Check is what somebody found who looked for a cause: a trim or heater check, a calibration, an inspection.
type Check struct {
	At    time.Time
	Cause string // that it bears on
	Sound bool   // nothing was found; otherwise the fault was
	Note  string // where it is recorded, such as an order and its step; may be empty
}

// How much a check counts: one in twenty misses a fault that is there or finds one that is not behind the change. Common practice,
// no source.
const checkFactor = 20

// Words say what a check found.
func (c *Check) Words() string {
	found := "faulty"
	if c.Sound {
		found = "sound"
	}
	words := "The check of " + c.At.UTC().Format(time.DateOnly) + " found it " + found
	if c.Note != "" {
		words += " (" + c.Note + ")"
	}
	return words + "."
}

// Weighed weighs the causes of a shift again with the checks that were made since it began, oldest first; of several for one cause
// the newest counts, as what was found sound at last speaks for the state that the readings are taken in.
func Weighed(s Shift, checks []Check) Shift {
	newest := map[string]Check{}
	for _, c := range checks {
		if old, known := newest[c.Cause]; c.At.After(s.Onset) && (!known || !c.At.Before(old.At)) {
			newest[c.Cause] = c
		}
	}
	used := make([]Check, 0, len(newest))
	for _, c := range newest {
		used = append(used, c)
	}
	slices.SortFunc(used, func(a, b Check) int { return a.At.Compare(b.At) })
	s.Checks = used
	for _, c := range used {
		s = c.weigh(s)
	}
	return s
}

func (c *Check) weigh(s Shift) Shift {
	i := slices.IndexFunc(s.Causes, func(x Cause) bool { return x.Name == c.Cause })
	if i < 0 {
		return s
	}
	causes := slices.Clone(s.Causes)
	if c.Sound {
		causes[i].Probability /= checkFactor
		causes[i].Against = append(slices.Clone(causes[i].Against), c.Words())
	} else {
		causes[i].Probability *= checkFactor
		causes[i].For = append(slices.Clone(causes[i].For), c.Words())
	}
	s.Causes = normalised(causes)
	s.Named = named(s.Causes)
	s.Steps = append(slices.Clone(s.Steps), Step{c.At, fmt.Sprintf("%s: %s", c.Cause, c.Words()), s.Named, bare(s.Causes)})
	return s
}
