package chart

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"time"
)

// scaleOf is a panel's scale: the fixed one, or one that fits the readings.
func (l *layout) scaleOf(i int) scale {
	if !l.Fit {
		return panels[i].fixed
	}
	low, high := 0.0, 0.0
	for _, p := range l.Points {
		low, high = min(low, p.Values[i]), max(high, p.Values[i])
	}
	step := nice(max(high-low, panels[i].least) / 5)
	return scale{step * math.Floor(low/step), step * math.Ceil(max(high, low+step)/step), step}
}

// nice is the next of 1, 2 and 5 times a power of ten.
func nice(v float64) float64 {
	power := math.Pow(10, math.Floor(math.Log10(v)))
	for _, m := range []float64{1, 2, 5} {
		if m*power >= v*(1-1e-9) {
			return m * power
		}
	}
	return 10 * power
}

// steps are the distances that times may be written at, in days; from 28 on whole months.
var steps = []int{1, 2, 7, 14, 28, 56, 91, 182, 365}

// times writes the time axis.
func (l *layout) times(bottom float64) {
	step := steps[len(steps)-1]
	for _, s := range steps {
		if l.end.Sub(l.start).Hours()/24/float64(s) <= 12 {
			step = s
			break
		}
	}
	at := l.start.UTC().Truncate(24 * time.Hour)
	form := "2 Jan 2006"
	if step >= 28 {
		at, form = time.Date(at.Year(), at.Month(), 1, 0, 0, 0, 0, time.UTC), "Jan 2006"
	}
	last := math.Inf(-1)
	for ; at.Before(l.end); at = after(at, step) {
		x := l.x(at)
		if x < left || x-last < 62 {
			continue
		}
		last = x
		l.c.line("tick", []xy{{x, bottom}, {x, bottom + 5}}, grey, 1, false)
		l.c.text(min(x, width-right-24), bottom+18, "middle", small, false, grey, at.Format(form))
	}
}

func after(at time.Time, step int) time.Time {
	if step < 28 {
		return at.AddDate(0, 0, step)
	}
	return at.AddDate(0, (step+15)/30, 0)
}

// legend says in words what is drawn.
func (d Data) legend() []string {
	if len(d.Points) == 0 {
		return nil
	}
	used, band := 0, false
	for _, p := range d.Points {
		if p.Used {
			used++
		}
		band = band || p.Half != nil
	}
	first := fmt.Sprintf("Filled dots: the %d readings used. Hollow dots: %d not used. Line: level; no line over more than %d days without a reading or over work on the engine.",
		used, len(d.Points)-used, int(Gap.Hours()/24))
	if len(d.Points) > Most {
		first += " Where more stand than have room, the first, last, lowest and highest are drawn."
	}
	if band {
		first += fmt.Sprintf(" Band: holds %g %% of the readings used.", d.Coverage)
	}
	lines := wrap(first, small)
	var marks []string
	for _, e := range slices.Concat(d.Events, d.Notices) {
		if mark := e.Letter + " " + e.Words; !slices.Contains(marks, mark) {
			marks = append(marks, mark)
		}
	}
	if len(marks) > 0 {
		lines = append(lines, "Dashed: "+strings.Join(marks, ", ")+". Times are UTC.")
	}
	return lines
}

// wrap breaks a text into lines; a number stays with its sign of per cent. The lines leave room for viewers of SVG whose own
// typeface is wider.
func wrap(text string, size float64) []string {
	const most = 0.82 * (width - left - right)
	var lines []string
	line := ""
	text = strings.ReplaceAll(text, " %", "\u00a0%")
	for word := range strings.SplitSeq(text, " ") {
		longer := strings.TrimSpace(line + " " + word)
		if line != "" && widthOf(longer, size, false) > most {
			lines, longer = append(lines, line), word
		}
		line = longer
	}
	if line != "" {
		lines = append(lines, line)
	}
	return lines
}

// Words is the chart in words, for those who can't see it.
func (d Data) Words() string {
	if len(d.Points) == 0 {
		return "Trend of engine " + d.Engine + ": there are no readings in this time."
	}
	words := fmt.Sprintf("Trend of engine %s from %s to %s. %s", d.Engine, d.Points[0].At.UTC().Format(time.DateOnly),
		d.Points[len(d.Points)-1].At.UTC().Format(time.DateOnly), d.Summary)
	if d.Demonstration {
		words += " Invented engine data, for demonstration only."
	}
	return words + " " + strings.Join(d.legend(), " ")
}
