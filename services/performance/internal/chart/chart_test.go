package chart

import (
	"bytes"
	"encoding/xml"
	"errors"
	"image/png"
	"io"
	"math"
	"math/rand/v2"
	"os"
	"strconv"
	"strings"
	"testing"
	"time"
)

// worn is a year of an engine with a gap of two months, two washes and some readings that are not used.
func worn() Data {
	d := Data{
		Engine: "DEMO-1", Model: "Demonstration turboprop, revision 2. Deviations from a clean engine: engineModels/demo, a polynomial of referred power, Mach number, " +
			"propeller speed and altitude fitted to its table.",
		Demonstration: true, Coverage: 90, Limit: 25,
		Summary: "Gas temperature +11.2 °C from a clean engine, 90 % interval +7.0 to +15.4, from 210 readings. A wash is advised: the level passed its threshold, and the programme is due.",
	}
	r := rand.New(rand.NewPCG(1, 2))
	begin := time.Date(2025, 9, 1, 7, 0, 0, 0, time.UTC)
	washed := 0
	for day := range 365 {
		at := begin.AddDate(0, 0, day)
		if day == 120 || day == 280 {
			d.Events = append(d.Events, Event{at.Add(-time.Hour), "W", "wash with cleaner"})
			washed = day
		}
		if day%40 == 20 {
			d.Events = append(d.Events, Event{at, "R", "water rinse"})
		}
		if day > 180 && day < 240 || day%3 == 0 {
			continue
		}
		level := float64(day-washed) * 0.12
		p := Point{At: at, Used: day%17 != 0, Values: [Panels]float64{level + 2.5*r.NormFloat64(), -level/60 + 0.1*r.NormFloat64(), level/8 + 0.4*r.NormFloat64()}}
		if day == 100 {
			p.Values[0], p.Used = 90, false
		}
		if p.Used {
			p.Level, p.Half = &[Panels]float64{level, -level / 60, level / 8}, &[Panels]float64{4, 0.2, 0.7}
		}
		d.Points = append(d.Points, p)
	}
	return d
}

// shape is an element of a drawing.
type shape struct {
	class, points string
	x             float64
}

func shapes(t *testing.T, drawing []byte) (out []shape, texts []string) {
	t.Helper()
	d := xml.NewDecoder(bytes.NewReader(drawing))
	for {
		token, err := d.Token()
		if errors.Is(err, io.EOF) {
			return out, texts
		}
		if err != nil {
			t.Fatal(err)
		}
		switch e := token.(type) {
		case xml.StartElement:
			var s shape
			for _, a := range e.Attr {
				switch a.Name.Local {
				case "class":
					s.class = a.Value
				case "points":
					s.points = a.Value
				case "cx":
					s.x, _ = strconv.ParseFloat(a.Value, 64)
				}
			}
			out = append(out, s)
		case xml.CharData:
			texts = append(texts, string(e))
		}
	}
}

// No piece of the level spans a gap or work on the engine.
func TestTheLineStopsAtGapsAndAtWork(t *testing.T) {
	d := worn()
	l := layout{Data: d}
	l.start, l.end = d.span()
	drawn, _ := shapes(t, SVG(d))
	lines, longest := 0, l.x(l.start.Add(Gap))-l.x(l.start)+0.11
	for _, s := range drawn {
		if s.class != "level" {
			continue
		}
		lines++
		before := math.NaN()
		for pair := range strings.FieldsSeq(s.points) {
			text, _, _ := strings.Cut(pair, ",")
			x, err := strconv.ParseFloat(text, 64)
			if err != nil {
				t.Fatal(err)
			}
			if x-before > longest {
				t.Errorf("a line spans %.1f pixels", x-before)
			}
			for _, e := range d.Events {
				if at := l.x(e.At); before < at-0.2 && at+0.2 < x {
					t.Errorf("a line spans the work at %v", e.At)
				}
			}
			before = x
		}
	}
	if lines < 3*4 {
		t.Errorf("%d pieces of line", lines)
	}
}

func TestEveryReadingIsADot(t *testing.T) {
	d := worn()
	used := 0
	for _, p := range d.Points {
		if p.Used {
			used++
		}
	}
	drawn, texts := shapes(t, SVG(d))
	got := map[string]int{}
	for _, s := range drawn {
		got[s.class]++
	}
	if got["used"] != Panels*used || got["unused"] != Panels*(len(d.Points)-used) || got["limit"] != 1 || got["event"] != Panels*len(d.Events) {
		t.Errorf("got %v for %d used of %d, %d events", got, used, len(d.Points), len(d.Events))
	}
	all := strings.Join(texts, "|")
	for _, want := range []string{"1 beyond the scale", "a wash is advised at +25.0 °C", "DEMONSTRATION ONLY", "Band: holds 90\u00a0% of the readings used", "R water rinse"} {
		if !strings.Contains(all, want) {
			t.Errorf("the drawing doesn't say %q", want)
		}
	}
}

// Two engines are drawn on one scale unless somebody asks for another.
func TestScalesAreFixedUnlessFitted(t *testing.T) {
	d := worn()
	fixed, fitted := layout{Data: d}, layout{Data: d}
	fitted.Fit = true
	for i := range panels {
		if fixed.scaleOf(i) != panels[i].fixed {
			t.Errorf("panel %d: %v", i, fixed.scaleOf(i))
		}
		s := fitted.scaleOf(i)
		if fitted.beyond(i, s) > 0 || s.low > 0 || s.high < 0 || (s.high-s.low)/s.step > 9 {
			t.Errorf("panel %d: %v", i, s)
		}
	}
}

func TestOddData(t *testing.T) {
	at := time.Date(2026, 3, 1, 0, 0, 0, 0, time.UTC)
	for name, d := range map[string]Data{
		"nothing": {Engine: "<&>"}, "one": {Points: []Point{{At: at}}}, "one moment": {Fit: true, Points: []Point{{At: at, Used: true, Level: &[Panels]float64{}}, {At: at}}},
		"years": {Points: []Point{{At: at}, {At: at.AddDate(40, 0, 0)}}, Events: []Event{{At: at.AddDate(-1, 0, 0)}}},
	} {
		if drawn, _ := shapes(t, SVG(d)); len(drawn) == 0 {
			t.Errorf("%s: nothing is drawn", name)
		}
		if _, err := PNG(d); err != nil {
			t.Errorf("%s: %v", name, err)
		}
	}
}

// Both drawings hold the same: where the SVG has a dot, the picture is dark. COLDSECTION_TEST_WRITE_CHART names a folder to
// look at both.
func TestThePictureShowsTheDots(t *testing.T) {
	d := worn()
	file, err := PNG(d)
	if err != nil {
		t.Fatal(err)
	}
	img, err := png.Decode(bytes.NewReader(file))
	if err != nil {
		t.Fatal(err)
	}
	l := layout{Data: d, top: 35 + lineHeight*float64(len(wrap(d.Model, small))+len(wrap(d.Summary, body))) + headRoom}
	l.start, l.end = d.span()
	for _, p := range d.Points {
		if !p.Used {
			continue
		}
		s := panels[0].fixed
		x, y := l.x(p.At), l.top+panelHeight*(s.high-p.Values[0])/(s.high-s.low)
		if r, _, b, _ := img.At(int(x*dots), int(y*dots)).RGBA(); r > 0x4000 || b > 0xc000 { // a dot, or the level over it
			t.Fatalf("no dot at %.1f, %.1f", x, y)
		}
	}
	if folder := os.Getenv("COLDSECTION_TEST_WRITE_CHART"); folder != "" {
		if err := os.WriteFile(folder+"/trend.png", file, 0o600); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(folder+"/trend.svg", SVG(d), 0o600); err != nil {
			t.Fatal(err)
		}
	}
}

// An exceedance keeps its letter beside a wash of the same week, in whatever order they are given, and is drawn when it came after the last
// reading; what came years later does not shrink the readings.
func TestNoLetterIsLost(t *testing.T) {
	begin := time.Date(2026, 1, 1, 7, 0, 0, 0, time.UTC)
	d := Data{Engine: "DEMO-1", Model: "demo", Summary: "Steady."}
	for day := range 200 {
		d.Points = append(d.Points, Point{At: begin.AddDate(0, 0, day), Used: true})
	}
	day := func(n int, letter string) Event { return Event{begin.AddDate(0, 0, n), letter, "words of " + letter} }
	for name, c := range map[string]struct {
		events []Event
		want   []string
		lines  int
	}{
		"close together":         {[]Event{day(101, "W"), day(100, "E"), day(102, "W")}, []string{"EW"}, 3},
		"apart":                  {[]Event{day(20, "W"), day(100, "E")}, []string{"W", "E"}, 2},
		"after the last reading": {[]Event{day(20, "W"), day(230, "E")}, []string{"W", "E"}, 2},
		"years later":            {[]Event{day(20, "W"), day(2000, "R")}, []string{"W"}, 1},
	} {
		d.Events = c.events
		drawn, texts := shapes(t, SVG(d))
		var letters []string
		for _, text := range texts {
			if strings.Trim(text, "EWR") == "" {
				letters = append(letters, text)
			}
		}
		lines := 0
		for _, s := range drawn {
			if s.class == "event" {
				lines++
			}
		}
		if strings.Join(letters, " ") != strings.Join(c.want, " ") || lines != Panels*c.lines {
			t.Errorf("%s: letters %q, want %q; %d lines, want %d", name, letters, c.want, lines, Panels*c.lines)
		}
	}
}
