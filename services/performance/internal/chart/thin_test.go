package chart

import (
	"bytes"
	"math"
	"math/rand/v2"
	"os"
	"slices"
	"strings"
	"testing"
	"time"
)

// many are readings of ten years, some of them not used, with a wash each year and one reading of each kind far out.
func many(n int) Data {
	d := worn()
	r := rand.New(rand.NewPCG(7, 8))
	begin, step := d.Points[0].At, 3650*24*time.Hour/time.Duration(n)
	d.Points, d.Events, d.Notices = nil, nil, nil
	for i := range n {
		years := float64(i) / float64(n) * 10
		level := 12 * (years - math.Floor(years))
		p := Point{At: begin.Add(time.Duration(i) * step), Used: i%9 != 4, Values: [Panels]float64{level + 2.5*r.NormFloat64(), -level/60 + 0.1*r.NormFloat64(), level/8 + 0.4*r.NormFloat64()}}
		if p.Used {
			p.Level, p.Half = &[Panels]float64{level, -level / 60, level / 8}, &[Panels]float64{4, 0.2, 0.7}
		}
		d.Points = append(d.Points, p)
	}
	d.Points[n/3].Values, d.Points[n/3].Used, d.Points[n/3].Level = [Panels]float64{55, 1.9, 7.5}, true, &[Panels]float64{4, 0, 0.5}
	d.Points[n/2].Values, d.Points[n/2].Used, d.Points[n/2].Level = [Panels]float64{-28, -1.9, -3.5}, false, nil
	d.Points[n/2].Half = nil
	for year := range 9 {
		d.Events = append(d.Events, Event{begin.AddDate(year+1, 0, 0), "W", "wash with cleaner"})
		d.Notices = append(d.Notices, Event{begin.AddDate(year, 3, 0), "E", "exceedance"})
	}
	return d
}

// A chart of ten thousand readings and one of a hundred thousand are bounded, say that not all are drawn, and still count all. The outermost
// reading of each kind, every event and every piece of line stay; an exceedance cuts no line, as it changed nothing.
func TestChartsOfManyReadingsAreBounded(t *testing.T) {
	few := len(SVG(many(Most)))
	for _, n := range []int{10_000, 100_000} {
		d := many(n)
		file := SVG(d)
		if len(file) > 2*few {
			t.Errorf("%d readings: %d bytes, %d readings %d", n, len(file), Most, few)
		}
		drawn, texts := shapes(t, file)
		got := map[string]int{}
		for _, s := range drawn {
			got[s.class]++
		}
		if width := int((900 - 84) / column); got["used"]+got["unused"] > Panels*8*(width+1) || got["used"] < Panels*2*width || got["event"] != Panels*18 || got["level"] != Panels*10 {
			t.Errorf("%d readings: %v", n, got)
		}
		used := 0
		for _, p := range d.Points {
			if p.Used {
				used++
			}
		}
		if all := strings.Join(texts, " "); !strings.Contains(all, d.legend()[0]) || !strings.Contains(d.Words(), "the first, last, lowest and highest are drawn") || used < n*8/9 {
			t.Errorf("%d readings: %s", n, all)
		}
		outermost(t, d, file)
	}
	if words := many(Most).Words(); strings.Contains(words, "lowest") {
		t.Errorf("all are drawn: %s", words)
	}
}

// outermost looks for the two readings far out in each panel.
func outermost(t *testing.T, d Data, file []byte) {
	t.Helper()
	l := layout{Data: d, top: 35 + lineHeight*float64(len(wrap(d.Model, small))+len(wrap(d.Summary, body))) + headRoom}
	l.start, l.end = d.span()
	for i := range panels {
		for _, p := range []Point{d.Points[len(d.Points)/3], d.Points[len(d.Points)/2]} {
			s, want := panels[i].fixed, &svg{}
			want.dot(xy{l.x(p.At), l.top + float64(i)*(panelHeight+panelGap) + panelHeight*(s.high-p.Values[i])/(s.high-s.low)}, p.Used)
			if !bytes.Contains(file, bytes.TrimSpace(want.Bytes())) {
				t.Errorf("panel %d has no dot for %v", i, p.Values)
			}
		}
	}
}

// Whatever the readings, thinning keeps their order, the outline of each column and nothing twice.
func TestThinningKeepsTheOutline(t *testing.T) {
	d := many(20_000)
	l := layout{Data: d}
	l.start, l.end = d.span()
	for i := range Panels {
		value := func(p Point) float64 { return p.Values[i] }
		kept := l.thin(d.Points, value)
		if !slices.IsSortedFunc(kept, func(a, b Point) int { return a.At.Compare(b.At) }) || kept[0].At != d.Points[0].At || kept[len(kept)-1].At != d.Points[len(d.Points)-1].At {
			t.Errorf("panel %d: %d points from %v to %v", i, len(kept), kept[0].At, kept[len(kept)-1].At)
		}
		outline := func(points []Point) map[int][2]float64 {
			out := map[int][2]float64{}
			for _, p := range points {
				o, seen := out[l.columnOf(p)]
				if v := value(p); !seen {
					o = [2]float64{v, v}
				} else {
					o = [2]float64{min(o[0], v), max(o[1], v)}
				}
				out[l.columnOf(p)] = o
			}
			return out
		}
		all, left := outline(d.Points), outline(kept)
		for at, want := range all {
			if left[at] != want {
				t.Errorf("panel %d, column %d: %v, want %v", i, at, left[at], want)
			}
		}
		times := map[time.Time]bool{}
		for _, p := range kept {
			times[p.At] = true
		}
		if len(times) != len(kept) {
			t.Errorf("panel %d: %d points at %d times", i, len(kept), len(times))
		}
	}
}

// COLDSECTION_TEST_WRITE_CHART names a folder to look at the drawing.
func TestAPictureOfManyReadings(t *testing.T) {
	file, err := PNG(many(10_000))
	if err != nil || len(file) > 1<<20 {
		t.Fatalf("%d bytes, %v", len(file), err)
	}
	if folder := os.Getenv("COLDSECTION_TEST_WRITE_CHART"); folder != "" {
		if err := os.WriteFile(folder+"/many.png", file, 0o600); err != nil {
			t.Fatal(err)
		}
	}
}
