package chart

import "fmt"

// inZones draws the plane of the zones with how long each event was at or over each value.
func (z *Zones) inZones(p *plot) {
	p.x, p.y = z.durations(), z.values()
	p.c.text(left, p.top-14, "start", small, true, black, fmt.Sprintf("%s, %s, by how long the trace was at or over it", z.Parameter, z.Unit))
	shapes := make([][]Corner, len(z.Zones))
	for i, zone := range z.Zones {
		shapes[i] = clipped(zone.Corners, p.x, p.y)
		if len(shapes[i]) > 2 {
			path := p.path(shapes[i])
			p.c.area("zone", path, tint(i, len(z.Zones)))
			p.c.line("edge", append(path, path[0]), red, 1, false)
		}
	}
	p.axes("Time at or over the value, s")
	for i, zone := range z.Zones {
		if len(shapes[i]) > 2 {
			corner := leftmost(shapes[i])
			at := p.at(corner.Duration, corner.Value)
			p.c.text(at.x+6, at.y-6, "start", small, true, black, zone.Name)
		}
	}
	for i, e := range z.Events {
		p.curve("worst", e.Worst, grey, 1.5, true)
		p.curve("curve", e.Curve, blue, 2.5, false)
		if len(z.Events) > 1 && len(e.Curve) > 0 {
			at := p.at(e.Curve[0].Duration, e.Curve[0].Value)
			p.c.text(at.x+5, at.y+12, "start", small, true, blue, fmt.Sprint(i+1))
		}
	}
}

func (p *plot) path(all []Corner) []xy {
	path := make([]xy, len(all), len(all)+1)
	for i, v := range all {
		path[i] = p.at(v.Duration, v.Value)
	}
	return path
}

func (p *plot) curve(class string, all []Corner, colour string, thick float64, dashed bool) {
	if len(all) > 0 {
		p.c.line(class, p.path(all), colour, thick, dashed)
	}
}

// durations is a scale that shows where every zone begins and where the events end.
func (z *Zones) durations() scale {
	most := 1.0
	for _, zone := range z.Zones {
		most = max(most, 1.5*leftmost(zone.Corners).Duration)
	}
	for _, e := range z.Events {
		for _, all := range [][]Corner{e.Curve, e.Worst} {
			for _, v := range all {
				most = max(most, 1.25*v.Duration)
			}
		}
	}
	return over(0, most)
}

// leftmost is the corner of the shortest duration, of those the lowest.
func leftmost(all []Corner) Corner {
	best := all[0]
	for _, v := range all {
		if v.Duration < best.Duration || v.Duration == best.Duration && v.Value < best.Value {
			best = v
		}
	}
	return best
}

// clipped is the part of an area that lies within two scales (Sutherland and Hodgman, Communications of the ACM 17 (1974) 32).
func clipped(area []Corner, x, y scale) []Corner {
	area = cut(cut(area, x.low, 1), x.high, -1)
	return turned(cut(cut(turned(area), y.low, 1), y.high, -1))
}

// cut leaves of an area what lies over a duration, or below one when the sign is −1.
func cut(area []Corner, limit, sign float64) (kept []Corner) {
	for i, a := range area {
		b := area[(i+1)%len(area)]
		inA, inB := sign*(a.Duration-limit) >= 0, sign*(b.Duration-limit) >= 0
		if inA {
			kept = append(kept, a)
		}
		if inA != inB {
			share := (limit - a.Duration) / (b.Duration - a.Duration)
			kept = append(kept, Corner{limit, a.Value + share*(b.Value-a.Value)})
		}
	}
	return kept
}

// turned has duration and value changed round.
func turned(area []Corner) []Corner {
	out := make([]Corner, len(area))
	for i, v := range area {
		out[i] = Corner{v.Value, v.Duration}
	}
	return out
}
