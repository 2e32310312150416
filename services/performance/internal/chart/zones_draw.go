package chart

import (
	"fmt"
	"math"
)

// Heights of the two panels, and the room above and below each for its title and scale.
const (
	traceHeight, planeHeight = 220.0, 260.0
	titleRoom, axisRoom      = 34.0, 46.0
)

// mostLines is how much is written under a picture, so that a chart of many zones with long actions does not make it too big.
const mostLines = 100

// plot is a panel with its two scales.
type plot struct {
	c        canvas
	top, low float64 // pixels
	x, y     scale
}

func (p *plot) at(x, y float64) xy {
	return xy{left + (width-left-right)*(x-p.x.low)/(p.x.high-p.x.low), p.low - (p.low-p.top)*(y-p.y.low)/(p.y.high-p.y.low)}
}

// draw puts the cautions, the trace, the plane of the zones and what they say on a canvas.
func (z Zones) draw(on func(height float64) canvas) {
	chart, cautions, notes := wrap(z.about(), small), wrapped(z.Cautions, body), wrapped(z.notes(), small)
	if len(notes) > mostLines {
		notes = append(notes[:mostLines-1:mostLines-1], "There is more to say than fits here: evaluate the same trace, and read the document.")
	}
	top := 48 + lineHeight*float64(len(chart)+len(cautions)) + titleRoom
	plane := top + traceHeight + axisRoom + titleRoom
	bottom := plane + planeHeight + axisRoom
	c := on(bottom + lineHeight*float64(len(notes)) + 16)
	c.text(left, 22, "start", 16, true, black, z.title())
	if z.Demonstration {
		c.text(width-right, 40, "end", body, true, red, "DEMONSTRATION ONLY")
	}
	lines(c, 40, small, false, grey, chart)
	lines(c, 44+lineHeight*float64(len(chart)), body, true, red, cautions)
	z.overTime(&plot{c: c, top: top, low: top + traceHeight})
	z.inZones(&plot{c: c, top: plane, low: plane + planeHeight})
	lines(c, bottom+10, small, false, black, notes)
}

// wrapped breaks sentences into lines, each sentence on lines of its own.
func wrapped(sentences []string, size float64) (all []string) {
	for _, s := range sentences {
		all = append(all, wrap(s, size)...)
	}
	return all
}

// lines writes lines of text one below the other.
func lines(c canvas, y, size float64, bold bool, colour string, all []string) {
	for i, line := range all {
		c.text(left, y+lineHeight*float64(i), "start", size, bold, colour, line)
	}
}

// over is the scale that holds values, with some room above.
func over(values ...float64) scale {
	low, high := math.Inf(1), math.Inf(-1)
	for _, v := range values {
		low, high = min(low, v), max(high, v)
	}
	step := nice(max(high-low, 1e-9*max(1, math.Abs(low), math.Abs(high))) / 6)
	return scale{step * math.Floor(low/step), step * math.Ceil((high+0.2*step)/step), step}
}

// values is the scale of both panels: samples and the lowest values of zones.
func (z *Zones) values() scale {
	all := make([]float64, 0, len(z.Trace)+len(z.Zones))
	for _, s := range z.Trace {
		all = append(all, s.Value)
	}
	for _, zone := range z.Zones {
		all = append(all, zone.Lowest)
	}
	return over(all...)
}

// overTime draws the trace.
func (z *Zones) overTime(p *plot) {
	first, last := z.Trace[0].At, z.Trace[len(z.Trace)-1].At
	p.x, p.y = over(first, max(last, first+1)), z.values()
	p.c.text(left, p.top-14, "start", small, true, black, fmt.Sprintf("%s, %s, over time", z.Parameter, z.Unit))
	for _, e := range z.Events {
		a, b := p.at(e.Start, p.y.high), p.at(e.End, p.y.low)
		p.c.area("event", []xy{a, {b.x, a.y}, b, {a.x, b.y}}, pale)
	}
	p.axes("Time, s")
	z.limits(p)
	for i, run := range z.runs() {
		if i > 0 {
			p.gap(before(z.runs()[i-1]), run[0].At)
		}
		path := make([]xy, len(run))
		for j, s := range run {
			path[j] = p.at(s.At, s.Value)
			p.c.dot(path[j], true)
		}
		p.c.line("trace", path, blue, 2, false)
	}
	for _, e := range z.Events {
		at := p.at(e.PeakAt, e.Peak)
		p.c.text(min(max(at.x, left+30), width-right-30), at.y-7, "middle", small, true, black, fmt.Sprintf("%.6g", e.Peak))
	}
}

// before is when a run of samples ends.
func before(run []Sample) float64 { return run[len(run)-1].At }

// runs cuts the trace where samples are missing.
func (z *Zones) runs() (runs [][]Sample) {
	from := 0
	for i := 1; i <= len(z.Trace); i++ {
		if i == len(z.Trace) || z.Trace[i].At-z.Trace[i-1].At > z.Gap {
			runs, from = append(runs, z.Trace[from:i]), i
		}
	}
	return runs
}

// limits draws the lowest value of each zone; names that would touch are left out, and stand below.
func (z *Zones) limits(p *plot) {
	written := math.Inf(1)
	for _, zone := range z.Zones {
		at := p.at(p.x.high, zone.Lowest)
		p.c.line("limit", []xy{{left, at.y}, at}, red, 1.5, true)
		if math.Abs(written-at.y) > 12 {
			p.c.text(at.x-4, at.y-4, "end", small, false, red, fmt.Sprintf("%s from %.6g %s", zone.Name, zone.Lowest, z.Unit))
			written = at.y
		}
	}
}

// gap marks a time without samples.
func (p *plot) gap(from, to float64) {
	a, b := p.at(from, p.y.high), p.at(to, p.y.low)
	p.c.line("gap", []xy{a, {a.x, b.y}}, grey, 1, true)
	p.c.line("gap", []xy{{b.x, a.y}, b}, grey, 1, true)
	if b.x-a.x > 64 {
		p.c.text((a.x+b.x)/2, b.y-6, "middle", small, true, grey, "no samples")
	}
}

// axes writes both scales.
func (p *plot) axes(below string) {
	for v := p.y.low; v <= p.y.high+p.y.step/1000; v += p.y.step {
		at := p.at(p.x.low, v)
		p.c.line("grid", []xy{at, {width - right, at.y}}, light, 1, false)
		p.c.text(left-6, at.y+4, "end", small, false, grey, number(v, p.y.step))
	}
	for v := p.x.low; v <= p.x.high+p.x.step/1000; v += p.x.step {
		at := p.at(v, p.y.low)
		p.c.line("tick", []xy{at, {at.x, at.y + 5}}, grey, 1, false)
		p.c.text(at.x, at.y+17, "middle", small, false, grey, number(v, p.x.step))
	}
	p.c.text(width-right, p.low+32, "end", small, false, grey, below)
}

// number is a value of a scale; zero is that also after rounding.
func number(v, step float64) string {
	if math.Abs(v) < step/1000 {
		return "0"
	}
	return fmt.Sprintf("%.6g", v)
}
