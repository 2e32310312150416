package main

import (
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"maps"
	"os"
	"slices"
	"strings"
	"time"
)

// truth is truth.json: what was done to the fleet.
type truth struct {
	Engines  []engineTruth `json:"engines"`
	Mistakes []mistake     `json:"mistakes"`
}

type engineTruth struct {
	Serial string      `json:"serial"`
	Fault  string      `json:"fault"`
	Onset  string      `json:"onset"` // a date
	Washes []washTruth `json:"washes"`
}

type washTruth struct {
	Time string  `json:"time"`
	ITT  float64 `json:"ditt_c"`
	Ng   float64 `json:"dng_pct"`
	Fuel float64 `json:"dwf_pct"`
}

type mistake struct {
	Serial string `json:"serial"`
	Time   string `json:"time"`
	Kind   string `json:"kind"`
}

func readTruth(path string) (t truth, err error) {
	text, err := os.ReadFile(path)
	if err != nil {
		return t, err
	}
	err = json.Unmarshal(text, &t)
	return t, err
}

// share counts how many of how many.
type share struct{ hit, of int }

func (s *share) add(hit bool) {
	s.of++
	if hit {
		s.hit++
	}
}

func (s share) String() string {
	if s.of == 0 {
		return "0 of 0"
	}
	return fmt.Sprintf("%d of %d (%.1f %%)", s.hit, s.of, 100*float64(s.hit)/float64(s.of))
}

// result is the score of a fleet.
type result struct {
	healthy, falseAdvices int
	advised               share // engines that foul fast, advised at least once
	steps, ramps          share // faults flagged in time
	honest, wrong, named  share // of the flagged faults: right or "cannot tell"; firmly wrong; named
	lastWrong, lastNamed  share // the same by the last step, with all that was learned after the detection
	itt, ng, fuel         share // intervals that cover the truth
	unmeasured            int   // washes without an interval
	caught, rejected      share // mistakes caught; good readings rejected
	byKind                map[string]*share
	stray, strayNamed     int // changes told on engines that only get dirty, or before the onset: all, and those with a cause other than dirt
	remarks               []string
}

// causes are the right answers. An engine that only gets dirty needs no shift, but an advice.
var causes = map[string][]string{
	"hot_section": {"hot_section"}, "bleed_leak": {"bleed_leak"}, "itt_bias": {"itt_indication"}, "torque_bias": {"torque_indication"},
	"fouling_then_hot": {"fouling", "hot_section"},
}

// Goals: days within which the onset of a step and of a slow ramp are flagged.
const stepDays, rampDays = 45, 120

var isRamp = map[string]bool{"hot_section": true, "fouling_then_hot": true}

func score(r report, t truth) *result {
	out := &result{byKind: map[string]*share{}}
	out.add(r, t)
	return out
}

// add scores one more fleet.
func (s *result) add(r report, t truth) {
	out := s
	said := map[string]engineReport{}
	for _, e := range r.Engines {
		said[e.Serial] = e
	}
	for _, e := range t.Engines {
		out.engine(said[e.Serial], e)
		out.washes(said[e.Serial], e)
	}
	out.mistakes(r, t)
}

func (s *result) engine(said engineReport, e engineTruth) {
	switch {
	case e.Fault == "none":
		s.healthy++
		for _, a := range said.Advices {
			if a.Reason == "trend" {
				s.falseAdvices++
			}
		}
	case strings.HasPrefix(e.Fault, "fouling"):
		s.advised.add(len(said.Advices) > 0)
	}
	s.strays(said, e)
	if right := causes[e.Fault]; right != nil {
		s.shift(said, e, right)
	}
}

// strays counts the changes that were told where dirt was all that there was.
func (s *result) strays(said engineReport, e engineTruth) {
	for _, x := range said.Shifts {
		if causes[e.Fault] != nil && x.Time >= e.Onset || x.Cause == "fouling" {
			continue
		}
		s.stray++
		if x.Verdict == "named" {
			s.strayNamed++
		}
		s.remarks = append(s.remarks, fmt.Sprintf("%s %s: stray change on %.10s, %s %s %.2f", e.Serial, e.Fault, x.Time, x.Verdict, x.Cause, x.Probability))
	}
}

// shift judges the first shift that was flagged after the onset; a correct "fouling" before it is not judged here.
func (s *result) shift(said engineReport, e engineTruth, right []string) {
	onset, err := time.Parse(time.DateOnly, e.Onset)
	if err != nil {
		s.remarks = append(s.remarks, e.Serial+": the truth has no onset date")
		return
	}
	within, group := stepDays, &s.steps
	if isRamp[e.Fault] {
		within, group = rampDays, &s.ramps
	}
	for _, x := range said.Shifts {
		at, err := time.Parse(time.RFC3339, x.Time)
		if err != nil || at.Before(onset) {
			continue
		}
		late := at.Sub(onset).Hours() / 24
		group.add(late <= float64(within))
		s.honest.add(x.Verdict == "cannot_tell" || slices.Contains(right, x.Cause))
		s.wrong.add(x.Verdict == "named" && !slices.Contains(right, x.Cause))
		s.named.add(x.Verdict == "named")
		if n := len(x.Steps); n > 0 {
			last := x.Steps[n-1]
			s.lastNamed.add(last.Verdict == "named")
			s.lastWrong.add(last.Verdict == "named" && !slices.Contains(right, last.Candidates[0].Cause))
		}
		s.remarks = append(s.remarks, fmt.Sprintf("%s %s: flagged after %.0f days, %s %s %.2f", e.Serial, e.Fault, late, x.Verdict, x.Cause, x.Probability))
		return
	}
	group.add(false)
	s.remarks = append(s.remarks, fmt.Sprintf("%s %s: not flagged", e.Serial, e.Fault))
}

func (s *result) washes(said engineReport, e engineTruth) {
	for _, w := range e.Washes {
		at, err := time.Parse(time.RFC3339, w.Time)
		found := false
		for _, r := range said.Recoveries {
			when, err2 := time.Parse(time.RFC3339, r.Time)
			if errors.Join(err, err2) != nil || !when.Equal(at) || r.ITT == nil || r.Ng == nil || r.Fuel == nil {
				continue
			}
			found = true
			s.itt.add(r.ITT.covers(w.ITT))
			s.ng.add(r.Ng.covers(w.Ng))
			s.fuel.add(r.Fuel.covers(w.Fuel))
		}
		if !found {
			s.unmeasured++
		}
	}
}

func (i *interval) covers(x float64) bool { return i.Low <= x && x <= i.High }

func (s *result) mistakes(r report, t truth) {
	held := map[string]bool{}
	for _, h := range r.Held {
		held[h.Serial+" "+h.Time] = true
	}
	wrong := map[string]bool{}
	for _, m := range t.Mistakes {
		key := m.Serial + " " + m.Time
		wrong[key] = true
		s.caught.add(held[key])
		if s.byKind[m.Kind] == nil {
			s.byKind[m.Kind] = &share{}
		}
		s.byKind[m.Kind].add(held[key])
	}
	s.rejected.of += r.ReadingsTotal - len(t.Mistakes)
	for key := range held {
		if !wrong[key] {
			s.rejected.hit++
		}
	}
}

func (s *result) writeTo(w io.Writer) error {
	lines := s.goals()
	lines = append(lines,
		fmt.Sprintf("False trend advices: %d on %d healthy engines (goal: at most one per 5 engines in 540 days)", s.falseAdvices, s.healthy),
		fmt.Sprintf("Fouling engines advised at least once: %v", s.advised),
		fmt.Sprintf("Steps flagged within %d days: %v; slow ramps within %d days: %v (goal: all)", stepDays, s.steps, rampDays, s.ramps),
		fmt.Sprintf("Of the flagged faults right or \"cannot tell\": %v (goal 85 %%); firmly wrong: %v (goal at most 5 %%); named: %v", s.honest, s.wrong, s.named),
		fmt.Sprintf("With all that was learned after the detection: firmly wrong: %v; named: %v", s.lastWrong, s.lastNamed),
		fmt.Sprintf("Changes told where dirt was all there was: %d, with a cause named: %d", s.stray, s.strayNamed),
		fmt.Sprintf("90 %% recovery intervals that cover the truth: ITT %v, Ng %v, fuel flow %v (goal 85 to 95 %%); without an interval: %d", s.itt, s.ng, s.fuel, s.unmeasured),
		fmt.Sprintf("Logging mistakes caught: %v (goal 90 %%); good readings rejected: %v (goal at most 1 %%)", s.caught, s.rejected),
	)
	for _, kind := range slices.Sorted(maps.Keys(s.byKind)) {
		lines = append(lines, fmt.Sprintf("  %s: %v", kind, *s.byKind[kind]))
	}
	for _, line := range append(lines, s.remarks...) {
		if _, err := fmt.Fprintln(w, line); err != nil {
			return err
		}
	}
	return nil
}
