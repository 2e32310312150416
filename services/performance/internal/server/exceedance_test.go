package server_test

import (
	"bytes"
	"image/png"
	"math"
	"strings"
	"testing"

	performancev1 "coldsection.example/proto/coldsection/performance/v1"
)

// start is an invented start: over 805 °C for 6.85 s and over 830 °C for 4.1 s, worked out by hand from its straight lines.
var start = [][2]float64{{0, 760}, {4, 800}, {6, 840}, {9, 840}, {12, 790}, {20, 780}}

func trace(unit string, samples [][2]float64, to func(float64) float64) *performancev1.EvaluateExceedanceRequest {
	req := &performancev1.EvaluateExceedanceRequest{Name: modelName, Chart: "itt-start", UnitCode: unit}
	for _, s := range samples {
		req.Samples = append(req.Samples, &performancev1.TraceSample{OffsetSeconds: s[0], Value: to(s[1])})
	}
	return req
}

func celsius(v float64) float64    { return v }
func fahrenheit(v float64) float64 { return 1.8*v + 32 }

func TestAnExceedanceMeetsItsZoneInBothUnits(t *testing.T) {
	benches(t, func(t *testing.T, b bench) {
		b.withModel(nil)
		for unit, to := range map[string]func(float64) float64{"Cel": celsius, "[degF]": fahrenheit} {
			got := of(b.EvaluateExceedance(b.as("technician"), trace(unit, start, to))).done(t)
			if len(got.GetExceedances()) != 1 || got.GetDocument().GetRevision() != "A" || got.GetModelRevision() != 1 {
				t.Fatalf("%s: %v", unit, got)
			}
			e := got.GetExceedances()[0]
			near(t, "peak", e.GetPeak().GetValue(), 840, 1e-9)
			near(t, "duration", e.GetDuration().GetValue(), 6.85, 1e-9)
			if e.GetVerdict() != performancev1.Exceedance_ZONE_MET || e.GetZone() != "B" || e.GetAction() != "invented action B" || e.GetGaps() {
				t.Errorf("%s: %v", unit, e)
			}
			if !strings.Contains(got.GetCautions()[0], "approved maintenance data") || !strings.Contains(e.GetExplanation(), "Start chart") {
				t.Errorf("%s: %q, %q", unit, got.GetCautions(), e.GetExplanation())
			}
		}
	})
}

func TestMissingSamplesAndTheEndOfTheChartAreNotGuessed(t *testing.T) {
	benches(t, func(t *testing.T, b bench) {
		b.withModel(nil)
		gap := of(b.EvaluateExceedance(b.analyst(), trace("Cel", [][2]float64{{0, 700}, {1, 810}, {31, 810}, {32, 700}}, celsius))).done(t).GetExceedances()[0]
		if gap.GetVerdict() != performancev1.Exceedance_CANNOT_TELL || !gap.GetGaps() || gap.GetPossibleZone() != "A" || gap.GetZone() != "" || gap.GetAction() != "invented action A" {
			t.Errorf("%v", gap)
		}
		beyond := of(b.EvaluateExceedance(b.analyst(), trace("Cel", [][2]float64{{0, 700}, {1, 1100}, {2, 700}}, celsius))).done(t).GetExceedances()[0]
		if beyond.GetVerdict() != performancev1.Exceedance_CANNOT_TELL || beyond.GetZone() != "C" || !strings.Contains(beyond.GetExplanation(), "document decides") {
			t.Errorf("%v", beyond)
		}
		if cool := of(b.EvaluateExceedance(b.analyst(), trace("Cel", [][2]float64{{0, 700}, {1, 710}}, celsius))).done(t); len(cool.GetExceedances()) != 0 {
			t.Errorf("%v", cool)
		}
	})
}

func TestTracesThatAreRefused(t *testing.T) {
	benches(t, func(t *testing.T, b bench) {
		b.withModel(nil)
		unknown := trace("Cel", start, celsius)
		unknown.Chart = "no-such-chart"
		for reason, req := range map[string]*performancev1.EvaluateExceedanceRequest{
			"EXCEEDANCE_CHART_UNKNOWN": unknown,
			"UNIT_MISMATCH":            trace("%", start, celsius),
			"UNIT_UNKNOWN":             trace("furlong", start, celsius),
			"TRACE_AMBIGUOUS":          trace("Cel", [][2]float64{{1, 800}, {1, 900}}, celsius),
			"TRACE_INVALID":            trace("Cel", [][2]float64{{1, 1e14}}, celsius),
			"NUMBER_NOT_FINITE":        trace("Cel", [][2]float64{{1, math.NaN()}}, celsius),
		} {
			of(b.EvaluateExceedance(b.analyst(), req)).refused(t, reason)
		}
	})
}

// The picture says what the evaluation says, in the unit of the chart, with its document; the sums of time are those above, by hand.
func TestAnExceedanceIsDrawn(t *testing.T) {
	benches(t, func(t *testing.T, b bench) {
		b.withModel(nil)
		for unit, to := range map[string]func(float64) float64{"Cel": celsius, "[degF]": fahrenheit} {
			said := of(b.EvaluateExceedance(b.analyst(), trace(unit, start, to))).done(t)
			got := of(b.RenderExceedance(b.as("technician"), pictured(trace(unit, start, to)))).done(t)
			classes := count(t, got.GetContent())
			for class, want := range map[string]int{"used": len(start), "trace": 1, "gap": 0, "event": 1, "zone": 3, "limit": 3, "curve": 1, "worst": 0} {
				if classes[class] != want {
					t.Errorf("%s: %d of %q, want %d", unit, classes[class], class, want)
				}
			}
			words := got.GetAlternativeText()
			for _, want := range append(said.GetCautions(), said.GetExceedances()[0].GetExplanation(), "Demonstration turboprop, revision 1",
				"Chart itt-start (start), from Start chart (demonstration only) revision A.", "A 6.85 s (from 805 °C), B 4.1 s (from 830 °C), C 0 s (from 870 °C)",
				"invented action C", "for demonstration only") {
				if !strings.Contains(words, want) {
					t.Errorf("%s: %q lacks %q", unit, words, want)
				}
			}
			if !strings.HasPrefix(words, said.GetCautions()[0]) || got.GetMediaType() != "image/svg+xml" || got.GetFileName() != "exceedance-itt-start.svg" {
				t.Errorf("%s: %q, %s, %s", unit, words, got.GetMediaType(), got.GetFileName())
			}
		}
		req := pictured(trace("Cel", [][2]float64{{32, 700}, {31, 810}, {1, 810}, {0, 700}}, celsius))
		gap := of(b.RenderExceedance(b.analyst(), req)).done(t)
		if c := count(t, gap.GetContent()); c["trace"] != 2 || c["gap"] != 2 || c["worst"] != 1 || !strings.Contains(gap.GetAlternativeText(), "may meet the zone \"A\"") {
			t.Errorf("%v, %q", c, gap.GetAlternativeText())
		}
		var many [][2]float64 // 40 events far apart, of which the last is the severest
		for n := range 40 {
			i := float64(n)
			many = append(many, [2]float64{100 * i, 700}, [2]float64{100*i + 5, 806 + i/10}, [2]float64{100*i + 10, 700})
		}
		many[len(many)-2][1] = 900
		full := of(b.RenderExceedance(b.analyst(), pictured(trace("Cel", many, celsius)))).done(t)
		if c := count(t, full.GetContent()); c["event"] != 12 || !strings.Contains(full.GetAlternativeText(), "The highest sample is 900") ||
			!strings.Contains(full.GetAlternativeText(), "28 more events, none of them severer") {
			t.Errorf("%v, %q", c, full.GetAlternativeText())
		}
		req.Format = performancev1.ImageFormat_IMAGE_FORMAT_PNG
		picture := of(b.RenderExceedance(b.analyst(), req)).done(t)
		if img, err := png.Decode(bytes.NewReader(picture.GetContent())); err != nil || img.Bounds().Dx() != 1350 || picture.GetFileName() != "exceedance-itt-start.png" {
			t.Errorf("got %v, %v", picture.GetMediaType(), err)
		}
	})
}

func TestPicturesOfExceedancesThatAreRefused(t *testing.T) {
	benches(t, func(t *testing.T, b bench) {
		b.withModel(func(m *performancev1.EngineModel) { m.ExceedanceCharts = nil })
		of(b.RenderExceedance(b.analyst(), pictured(trace("Cel", start, celsius)))).refused(t, "EXCEEDANCE_CHART_UNKNOWN") // a model without zones
	})
	benches(t, func(t *testing.T, b bench) {
		b.withModel(nil)
		for reason, req := range map[string]*performancev1.EvaluateExceedanceRequest{
			"UNIT_MISMATCH":     trace("%", start, celsius),
			"TRACE_AMBIGUOUS":   trace("Cel", [][2]float64{{1, 800}, {1, 900}}, celsius),
			"TRACE_INVALID":     trace("Cel", [][2]float64{{1, 1e14}}, celsius),
			"NUMBER_NOT_FINITE": trace("Cel", [][2]float64{{1, math.Inf(1)}}, celsius),
		} {
			of(b.RenderExceedance(b.analyst(), pictured(req))).refused(t, reason)
		}
	})
}

// pictured asks for the picture of what is evaluated.
func pictured(req *performancev1.EvaluateExceedanceRequest) *performancev1.RenderExceedanceRequest {
	return &performancev1.RenderExceedanceRequest{Name: req.GetName(), Chart: req.GetChart(), UnitCode: req.GetUnitCode(), Samples: req.GetSamples()}
}
