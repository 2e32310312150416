package exceedance

import (
	"math"
	"testing"

	"pgregory.net/rapid"
)

// slanted is a zone whose lower boundary falls from 900 °C at 0 s to 800 °C at 20 s, as charts of hot starts are drawn (demonstration only).
var slanted = Zone{ID: "A", Corners: []Vertex{{0, 900}, {20, 800}, {20, 1000}, {0, 1000}}}

// Points above the slanted boundary and on it are in the zone, those below are not; at t seconds the boundary is at 900 − 5·t °C, by hand.
func TestASlantedBoundaryIsWhereItsLineIs(t *testing.T) {
	for _, seconds := range []float64{0.5, 4, 10, 16, 19.5} {
		line := 900 - 5*seconds
		for value, in := range map[float64]bool{line: true, line + 0.01: true, line - 0.01: false, 999.99: true, 1000.01: false, 799: false} {
			if got := slanted.contains(Vertex{seconds, value}); got != in {
				t.Errorf("%g s at %g °C: %t, the boundary is at %g °C", seconds, value, got, line)
			}
		}
	}
	below := Zone{Corners: []Vertex{{0, 900}, {20, 800}, {0, 800}}} // the same line from its other side
	for value, in := range map[float64]bool{850: true, 849.99: true, 850.01: false} {
		if below.contains(Vertex{10, value}) != in {
			t.Errorf("below the line, 10 s at %g °C is not %t", value, in)
		}
	}
	for _, outside := range []Vertex{{-0.01, 950}, {20.01, 900}, {25, 790}, {-5, 925}} {
		if slanted.contains(outside) {
			t.Errorf("%v is taken to be in the zone", outside)
		}
	}
}

// In a convex zone a point is inside when it lies on the same side of every edge, which is another way than counting crossings.
func TestAPointIsInsideWhenItIsOnOneSideOfEveryEdge(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		corners := rapid.IntRange(3, 9).Draw(t, "corners")
		zone := Zone{}
		wide, high := rapid.Float64Range(1, 50).Draw(t, "wide"), rapid.Float64Range(1, 200).Draw(t, "high")
		turn := rapid.Float64Range(0, 1).Draw(t, "turn")
		for i := range corners { // on an ellipse, so that the zone is convex
			angle := 2 * math.Pi * (float64(i) + turn) / float64(corners)
			zone.Corners = append(zone.Corners, Vertex{60 + wide*math.Cos(angle), 800 + high*math.Sin(angle)})
		}
		p := Vertex{60 + wide*rapid.Float64Range(-1.2, 1.2).Draw(t, "at"), 800 + high*rapid.Float64Range(-1.2, 1.2).Draw(t, "of")}
		inside := true
		for i, a := range zone.Corners {
			b := zone.Corners[(i+1)%corners]
			turned := (b.Duration-a.Duration)*(p.Value-a.Value) - (b.Value-a.Value)*(p.Duration-a.Duration)
			if math.Abs(turned) < 1e-6*wide*high {
				t.Skip("on an edge, where rounding decides")
			}
			inside = inside && turned > 0
		}
		if got := zone.contains(p); got != inside {
			t.Fatalf("%v in %v: %t, and by its edges %t", p, zone.Corners, got, inside)
		}
		if zone.touches(p, p) != inside {
			t.Fatalf("%v alone touches %v otherwise", p, zone.Corners)
		}
	})
}

// A stretch of a curve meets a zone also where both of its ends lie outside, through a corner too, and a zone has three corners at least.
func TestAStretchMeetsAZoneBetweenItsEnds(t *testing.T) {
	for _, c := range []struct {
		name     string
		from, to Vertex
		met      bool
	}{
		{"across it", Vertex{-5, 950}, Vertex{30, 950}, true}, {"under it", Vertex{-5, 860}, Vertex{5, 860}, false}, {"across the slant", Vertex{12, 830}, Vertex{25, 830}, true},
		{"through a corner", Vertex{19, 800}, Vertex{21, 800}, true}, {"past a corner", Vertex{19, 799.9}, Vertex{21, 799.9}, false}, {"over it", Vertex{0, 1001}, Vertex{20, 1001}, false},
		{"into it", Vertex{10, 700}, Vertex{10, 900}, true}, {"out of it", Vertex{10, 900}, Vertex{10, 1100}, true},
	} {
		if slanted.touches(c.from, c.to) != c.met || slanted.touches(c.to, c.from) != c.met {
			t.Errorf("a stretch %s: not %t both ways", c.name, c.met)
		}
	}
	for _, corners := range []int{2, 3, 64, 65} {
		z := Zone{}
		for i := range corners {
			z.Corners = append(z.Corners, Vertex{float64(i), float64(i * i)})
		}
		if got := z.flaw() == ""; got != (corners >= 3 && corners <= 64) {
			t.Errorf("%d corners: %q", corners, z.flaw())
		}
	}
}
