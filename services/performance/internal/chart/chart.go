// Package chart draws an engine's trend as small multiples over one time axis: dots are readings, hollow when the analysis does
// not use them; the line is the level and stops at gaps and at work on the engine; the band says what it holds. One drawing is
// made twice, as SVG and as PNG. A trace against the zones of a chart of exceedances is the other drawing.
package chart

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"time"
)

// Panels is how many parameters a chart shows: ITT [°C], Ng [%] and fuel flow [%].
const Panels = 3

// Gap is the time without a reading over which no line is drawn.
const Gap = 20 * 24 * time.Hour

// Data is what to draw.
type Data struct {
	Engine        string // as people call it, such as its serial number
	Model         string // with its revision, and what the deviations refer to
	Demonstration bool   // invented engine data
	Summary       string // the first sentence
	Coverage      float64
	Points        []Point // oldest first
	Events        []Event // work on the engine, oldest first
	Notices       []Event // what changed nothing: exceedances and checks; the level goes on
	Limit         float64 // of the ITT deviation, at which a wash is advised [°C]; 0 is none
	Fit           bool    // scales by the readings; otherwise the same for every engine
}

// Point is a reading.
type Point struct {
	At     time.Time
	Used   bool
	Values [Panels]float64
	Level  *[Panels]float64 // nil for readings that are not used
	Half   *[Panels]float64 // half the width of the band
}

// Event is work on the engine, or what was noticed about it.
type Event struct {
	At     time.Time
	Letter string // one capital
	Words  string // what the letter means
}

// scale is the value axis of a panel.
type scale struct{ low, high, step float64 }

// panels are what the panels show. The fixed scales hold a worn engine before its wash (common practice, no source); what
// lies beyond is drawn at the edge and counted.
var panels = [Panels]struct {
	title string
	fixed scale
	least float64 // the narrowest scale when fitted
}{
	{"ITT deviation, °C", scale{-30, 60, 10}, 10},
	{"Ng deviation, %", scale{-2, 2, 0.5}, 1},
	{"Fuel flow deviation, %", scale{-4, 8, 2}, 3},
}

// Lengths in pixels at 96 to the inch.
const (
	width       = 900.0
	left, right = 64.0, 20.0
	panelHeight = 150.0
	panelGap    = 30.0
	lineHeight  = 15.0
	small, body = 11.0, 12.0
	headRoom    = 36.0 // for the letters of the events and the first panel's title
)

// The colours keep 3 to 1 and more against white, text 4.5 and more (WCAG 2.2, 1.4.3 and 1.4.11).
const (
	black, grey, blue, pale, red, light = "#000000", "#555555", "#0072b2", "#d6e6f2", "#b34700", "#dddddd"
)

// layout is a drawing under way.
type layout struct {
	Data

	c          canvas
	start, end time.Time
	top        float64 // of the first panel
}

func (d Data) title() string { return "Trend of engine " + d.Engine }

// draw puts the chart on a canvas.
func (d Data) draw(c func(height float64) canvas) {
	model, lines := wrap(d.Model, small), wrap(d.Summary, body)
	notes := d.legend()
	l := &layout{Data: d, top: 35 + lineHeight*float64(len(model)+len(lines)) + headRoom}
	bottom := l.top + Panels*panelHeight + (Panels-1)*panelGap
	l.c = c(bottom + 40 + lineHeight*float64(len(notes)) + 8)
	l.c.text(left, 22, "start", 16, true, black, "Engine "+d.Engine)
	for i, line := range model {
		l.c.text(left, 40+lineHeight*float64(i), "start", small, false, grey, line)
	}
	if d.Demonstration {
		l.c.text(width-right, 22, "end", body, true, red, "DEMONSTRATION ONLY")
	}
	for i, line := range lines {
		l.c.text(left, 43+lineHeight*float64(len(model)+i), "start", body, false, black, line)
	}
	if len(d.Points) == 0 {
		l.c.text(width/2, l.top+panelHeight/2, "middle", body, false, grey, "There are no readings in this time.")
		return
	}
	l.start, l.end = d.span()
	for i := range panels {
		l.panel(i, l.top+float64(i)*(panelHeight+panelGap))
	}
	l.times(bottom)
	for i, note := range notes {
		l.c.text(left, bottom+40+lineHeight*float64(i), "start", small, false, grey, note)
	}
}

// span is the time that the chart covers, with some room at its ends. Work and exceedances after the last reading belong to it, unless they
// came so late that the readings would shrink to less than half of it.
func (d Data) span() (start, end time.Time) {
	start, end = d.Points[0].At, d.Points[len(d.Points)-1].At
	latest := end.Add(max(end.Sub(start), 30*24*time.Hour))
	for _, e := range d.marks() {
		if e.At.After(end) && !e.At.After(latest) {
			end = e.At
		}
	}
	room := max(end.Sub(start)/50, 6*time.Hour)
	return start.Add(-room), end.Add(room)
}

// marks are work and notices, oldest first.
func (d Data) marks() []Event {
	return slices.SortedStableFunc(slices.Values(slices.Concat(d.Events, d.Notices)), func(a, b Event) int { return a.At.Compare(b.At) })
}

func (l *layout) x(at time.Time) float64 {
	return left + (width-left-right)*float64(at.Sub(l.start))/float64(l.end.Sub(l.start))
}

func (l *layout) panel(i int, top float64) {
	s := l.scaleOf(i)
	y := func(v float64) float64 {
		return top + panelHeight*(s.high-min(max(v, s.low), s.high))/(s.high-s.low)
	}
	title := panels[i].title
	if out := l.beyond(i, s); out > 0 {
		title += fmt.Sprintf("  (%d beyond the scale, drawn at its edge)", out)
	}
	l.c.text(left, top-6, "start", small, true, black, title)
	for v := s.low; v <= s.high+s.step/1000; v += s.step {
		colour := light
		if math.Abs(v) < s.step/1000 {
			colour = grey
		}
		l.c.line("grid", []xy{{left, y(v)}, {width - right, y(v)}}, colour, 1, false)
		l.c.text(left-6, y(v)+4, "end", small, false, grey, signed(v, s.step))
	}
	l.bands(i, y)
	if i == 0 && l.Limit != 0 && l.Limit > s.low && l.Limit < s.high {
		l.c.line("limit", []xy{{left, y(l.Limit)}, {width - right, y(l.Limit)}}, red, 1.5, true)
		l.c.text(width-right, top-6, "end", small, false, red, fmt.Sprintf("a wash is advised at %+.1f °C", l.Limit))
	}
	l.events(top, i == 0)
	l.dots(i, y)
	for _, run := range l.runs(func(p Point) bool { return p.Level != nil }) {
		var path []xy
		for _, p := range l.thin(run, func(p Point) float64 { return p.Level[i] }) {
			path = append(path, xy{l.x(p.At), y(p.Level[i])})
		}
		l.c.line("level", path, blue, 2, false)
	}
}

// dots draws the readings: those that are used over those that are not, so that neither thins the other.
func (l *layout) dots(i int, y func(float64) float64) {
	value := func(p Point) float64 { return p.Values[i] }
	if len(l.Points) <= Most {
		for _, p := range l.Points {
			l.c.dot(xy{l.x(p.At), y(p.Values[i])}, p.Used)
		}
		return
	}
	for _, used := range []bool{false, true} {
		of := slices.DeleteFunc(slices.Clone(l.Points), func(p Point) bool { return p.Used != used })
		for _, p := range l.thin(of, value) {
			l.c.dot(xy{l.x(p.At), y(p.Values[i])}, p.Used)
		}
	}
}

// signed is a value with its sign; zero has none.
func signed(v, step float64) string {
	if math.Abs(v) < step/1000 {
		return "0"
	}
	return fmt.Sprintf("%+.4g", v)
}

// bands fills the band about each run of the level.
func (l *layout) bands(i int, y func(float64) float64) {
	for _, run := range l.runs(func(p Point) bool { return p.Level != nil && p.Half != nil }) {
		var above, below []xy
		for _, p := range l.thin(run, func(p Point) float64 { return p.Level[i] }) {
			above = append(above, xy{l.x(p.At), y(p.Level[i] + p.Half[i])})
			below = append(below, xy{l.x(p.At), y(p.Level[i] - p.Half[i])})
		}
		slices.Reverse(below)
		l.c.area("band", append(above, below...), pale)
	}
}

// runs cuts the points that hold something into runs without a gap and without work on the engine between them.
func (l *layout) runs(holds func(Point) bool) [][]Point {
	var runs [][]Point
	var run []Point
	next := 0
	for _, p := range l.Points {
		if !holds(p) {
			continue
		}
		cut := len(run) > 0 && p.At.Sub(run[len(run)-1].At) > Gap
		for next < len(l.Events) && !l.Events[next].At.After(p.At) {
			cut = true
			next++
		}
		if cut && len(run) > 0 {
			runs, run = append(runs, run), nil
		}
		run = append(run, p)
	}
	if len(run) > 0 {
		runs = append(runs, run)
	}
	return runs
}

// events marks work on the engine and exceedances. Letters that would touch stand together at the first line of theirs, each once.
func (l *layout) events(top float64, letters bool) {
	const room = 11.0 // for a letter
	type group struct {
		x       float64
		letters string
	}
	var groups []group
	line := math.Inf(-1)
	marks := l.marks()
	for _, e := range marks {
		if e.At.Before(l.start) || e.At.After(l.end) {
			continue
		}
		x := l.x(e.At)
		if len(marks) <= Most || math.Round(x) != line {
			l.c.line("event", []xy{{x, top}, {x, top + panelHeight}}, grey, 1, true)
		}
		line = math.Round(x)
		switch last := len(groups) - 1; {
		case last < 0 || x-groups[last].x > room*float64(len(groups[last].letters)):
			groups = append(groups, group{x, e.Letter})
		case !strings.Contains(groups[last].letters, e.Letter):
			groups[last].letters += e.Letter
		}
	}
	for _, g := range groups {
		if letters {
			l.c.text(g.x, top-20, "middle", small, true, black, g.letters)
		}
	}
}

// beyond counts the readings outside a scale.
func (l *layout) beyond(i int, s scale) (n int) {
	for _, p := range l.Points {
		if p.Values[i] < s.low || p.Values[i] > s.high {
			n++
		}
	}
	return n
}
