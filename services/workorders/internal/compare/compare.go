// Package compare sets what was planned beside what was done. It names every difference once: what follows from another one, such as
// the starter's whole use from a run that is missing, is not told again. Tolerances are common practice, no source.
package compare

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"time"
)

// The tolerances.
const (
	volumeShare   = 0.02 // of a planned volume
	pressureShare = 0.05 // of the planned pressure
	late          = 30 * time.Minute
	longer        = 2 * time.Minute  // of the soak
	starter       = 10 * time.Second // of the starter's whole use
)

// Line is a thing that was planned and what became of it.
type Line struct {
	Topic, Label, Planned, Done, Tolerance, Subject string
	Differs                                         bool
}

// Volume is an amount of an item in millilitres, planned and done.
type Volume struct {
	Label         string
	Planned, Done float64
}

// Rework is an amount in millilitres that a step used before it was opened again: no part of what the plan asks for, and used besides.
type Rework struct {
	Step, Label, Lot string
	Millilitres      float64
	Why              string // it was opened again
}

// Run is a run of the starter as it was recorded.
type Run struct {
	Name       string
	Start, End time.Time
	Aborted    bool
	Drying     bool   // the engine ran to dry itself
	Paper      bool   // written on the fallback sheet, entered later
	Exceedance string // what it broke, "" for nothing
}

// Drying is how a plan dries the engine: how long it runs, 0 as approved data say, and how soon after the last wetting, 0 without limit.
type Drying struct {
	Planned       bool
	Length, Limit time.Duration
	LeftOut       string    // why it was left out, "" when it was not
	LeftOutAt     time.Time // it holds for what went through before
}

// Reading is a reading as it stands, with its limits in words.
type Reading struct {
	Name, Label, Value, Limits string
	LimitsMet                  bool
}

// Step is a step that was not done as the card says: Why is the note and, for one left undone, the agreement.
type Step struct{ Name, Label, State, Why string }

// Order is what is compared. A zero plan of runs means that the order has no wash plan.
type Order struct {
	PlanStart, Start           time.Time // zero when not known
	Assignees, Performers      []string
	Volumes                    []Volume
	Reworked                   []Rework
	WashRuns, RinseRuns        int
	Soak, StarterUse           time.Duration
	Drying                     Drying
	Pressure, PressureMeasured float64 // kPa, gauge; 0 when not planned or not measured
	PressureReading            string  // the reading's name
	Runs                       []Run
	Readings                   []Reading
	NotDone                    []Step
}

// Compare sets plan and work side by side.
func Compare(o Order) []Line {
	var lines []Line
	lines = append(lines, times(o)...)
	lines = append(lines, people(o)...)
	for _, v := range o.Volumes {
		lines = append(lines, Line{
			Topic: "volume", Label: v.Label, Planned: millilitres(v.Planned), Done: millilitres(v.Done), Tolerance: "2 % of the plan",
			Differs: math.Abs(v.Done-v.Planned) > volumeShare*v.Planned+0.5,
		})
	}
	for _, w := range o.Reworked {
		lines = append(lines, Line{
			Topic: "rework", Label: w.Label, Planned: "nothing", Done: millilitres(w.Millilitres) + " of " + w.Lot + " used before it was opened again: " + w.Why, Subject: w.Step, Differs: true,
		})
	}
	lines = append(lines, pressure(o)...)
	lines = append(lines, runs(o)...)
	lines = append(lines, dried(o)...)
	for _, r := range o.Readings {
		lines = append(lines, Line{Topic: "reading", Label: r.Label, Planned: r.Limits, Done: r.Value, Subject: r.Name, Differs: !r.LimitsMet})
	}
	for _, s := range o.NotDone {
		lines = append(lines, Line{Topic: "step", Label: s.Label, Planned: "done", Done: s.State + ": " + s.Why, Subject: s.Name, Differs: true})
	}
	return lines
}

// Differences are the lines that differ.
func Differences(lines []Line) []Line {
	return slices.DeleteFunc(slices.Clone(lines), func(l Line) bool { return !l.Differs })
}

func times(o Order) []Line {
	if o.PlanStart.IsZero() || o.Start.IsZero() {
		return nil
	}
	gap := o.Start.Sub(o.PlanStart)
	return []Line{{
		Topic: "start", Label: "Start", Planned: o.PlanStart.Format(time.RFC3339), Done: o.Start.Format(time.RFC3339), Tolerance: "30 min", Differs: gap.Abs() > late,
	}}
}

// people compares only when somebody was assigned; whoever worked without being assigned is a difference.
func people(o Order) []Line {
	if len(o.Assignees) == 0 || len(o.Performers) == 0 {
		return nil
	}
	strange := slices.ContainsFunc(o.Performers, func(p string) bool { return !slices.Contains(o.Assignees, p) })
	return []Line{{Topic: "people", Label: "Who did it", Planned: strings.Join(o.Assignees, ", "), Done: strings.Join(o.Performers, ", "), Differs: strange}}
}

func pressure(o Order) []Line {
	if o.Pressure <= 0 || o.PressureReading == "" {
		return nil
	}
	return []Line{{
		Topic: "pressure", Label: "Container pressure", Planned: kilopascals(o.Pressure), Done: kilopascals(o.PressureMeasured), Tolerance: "5 % of the plan", Subject: o.PressureReading,
		Differs: math.Abs(o.PressureMeasured-o.Pressure) > pressureShare*o.Pressure,
	}}
}

// runs compares the starter's runs. One that was broken off is told by itself and is not counted as one of the plan's; only when as
// many were made as planned are the soak between them and the starter's whole use compared.
func runs(o Order) []Line {
	planned := o.WashRuns + o.RinseRuns
	if planned == 0 {
		return nil
	}
	var lines []Line
	var whole []Run
	use := time.Duration(0)
	for _, r := range o.Runs {
		if r.Drying {
			continue
		}
		if r.Aborted || r.Exceedance != "" {
			lines = append(lines, Line{Topic: "run", Label: "Run of " + r.Start.Format("15:04:05"), Planned: "whole, within the limits", Done: runText(r), Subject: r.Name, Differs: true})
		}
		if !r.Aborted {
			whole = append(whole, r)
			use += r.End.Sub(r.Start)
		}
	}
	lines = append(lines, Line{Topic: "runs", Label: "Runs of the starter", Planned: fmt.Sprint(planned), Done: fmt.Sprint(len(whole)), Differs: len(whole) != planned})
	if len(whole) != planned {
		return lines
	}
	lines = append(lines, Line{
		Topic: "starter_use", Label: "Starter use", Planned: o.StarterUse.String(), Done: use.String(), Tolerance: starter.String(), Differs: (use - o.StarterUse).Abs() > starter,
	})
	if o.WashRuns == 0 || o.RinseRuns == 0 || o.Soak == 0 {
		return lines
	}
	soaked := whole[o.WashRuns].Start.Sub(whole[o.WashRuns-1].End)
	return append(lines, Line{
		Topic: "soak", Label: "Soak", Planned: o.Soak.String(), Done: soaked.String(), Tolerance: "not shorter, at most " + longer.String() + " longer",
		Differs: soaked < o.Soak || soaked > o.Soak+longer,
	})
}

// dried compares the drying run: that it was made whole after the last wetting, in time, and not shorter than planned. One that was
// broken off is told by itself, and so is one that was too short where a longer one came after it.
func dried(o Order) []Line {
	if !o.Drying.Planned {
		return nil
	}
	wetted := time.Time{}
	var whole *Run
	var lines []Line
	for i, r := range o.Runs {
		switch {
		case !r.Drying:
			wetted, whole = r.End, nil
		case r.Aborted:
			lines = append(lines, Line{Topic: "drying", Label: "Drying run of " + r.Start.Format("15:04:05"), Planned: "whole", Done: runText(r), Subject: r.Name, Differs: true})
		case whole == nil:
			whole = &o.Runs[i]
		case o.Drying.short(*whole) && !o.Drying.short(r): // run once more, as long as it takes
			lines = append(lines, Line{Topic: "drying", Label: "Drying run of " + whole.Start.Format("15:04:05"), Planned: o.Drying.text(), Done: runText(*whole), Subject: whole.Name, Differs: true})
			whole = &o.Runs[i]
		}
	}
	line := Line{Topic: "drying", Label: "Drying run", Planned: o.Drying.text(), Done: "none", Tolerance: "not later, not shorter", Differs: true}
	if whole == nil {
		if o.Drying.LeftOut != "" && !wetted.After(o.Drying.LeftOutAt) {
			line.Done = "left out: " + o.Drying.LeftOut
		}
		return append(lines, line)
	}
	line.Done, line.Subject = runText(*whole), whole.Name
	gap := whole.Start.Sub(wetted)
	if !wetted.IsZero() {
		line.Done = fmt.Sprintf("%s after the last wetting, %s", gap, line.Done)
	}
	late := !wetted.IsZero() && o.Drying.Limit > 0 && gap > o.Drying.Limit
	line.Differs = late || o.Drying.short(*whole) || whole.Exceedance != ""
	return append(lines, line)
}

func (d Drying) short(r Run) bool { return r.End.Sub(r.Start) < d.Length }

func (d Drying) text() string {
	text := "as approved data say"
	if d.Length > 0 {
		text = d.Length.String()
	}
	if d.Limit > 0 {
		text += ", within " + d.Limit.String() + " of the last wetting"
	}
	return text
}

func runText(r Run) string {
	text := r.End.Sub(r.Start).String()
	if r.Paper {
		text += ", from the fallback sheet"
	}
	if r.Aborted {
		text += ", broken off"
	}
	if r.Exceedance != "" {
		text += ", " + r.Exceedance
	}
	return text
}

func millilitres(v float64) string { return fmt.Sprintf("%.0f mL (%.1f US fl oz)", v, v/29.5735295625) }

func kilopascals(v float64) string { return fmt.Sprintf("%.0f kPa (%.1f psi)", v, v/6.894757293168) }
