package server_test

import (
	"bytes"
	"image/png"
	"slices"
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	performancev1 "coldsection.example/proto/coldsection/performance/v1"
)

// traced is a request to record an exceedance with its trace.
func traced(unit string, samples [][2]float64, to func(float64) float64) *performancev1.CreateEngineExceedanceRequest {
	return &performancev1.CreateEngineExceedanceRequest{
		Parent: engineName, Chart: "itt-start", ExceedTime: timestamppb.New(morning.Add(-time.Hour)), Note: "hung start",
		Trace: &performancev1.ExceedanceTrace{UnitCode: unit, Samples: trace(unit, samples, to).GetSamples()},
	}
}

// The trace decides what an exceedance says, is kept in the order of time as it was given, and draws the same picture for ever, on the
// chart that judged it. The seconds are those of the start above, by hand.
func TestARecordedExceedanceKeepsItsTrace(t *testing.T) {
	benches(t, func(t *testing.T, b bench) {
		m := b.withModel(nil)
		backwards := slices.Clone(start)
		slices.Reverse(backwards)
		req := traced("[degF]", append(backwards, start[0]), fahrenheit)
		dry := proto.CloneOf(req)
		dry.ValidateOnly = true
		of(b.CreateEngineExceedance(b.as("technician"), dry)).done(t)
		made := of(b.CreateEngineExceedance(b.as("technician"), req)).done(t)
		near(t, "peak", made.GetPeak().GetValue(), 840, 1e-9)
		near(t, "duration", made.GetDuration().GetValue(), 6.85, 1e-9)
		if made.GetVerdict() != performancev1.EngineExceedance_ZONE_MET || made.GetZone() != "B" || made.GetTraceSampleCount() != 6 || made.GetTrace() != nil {
			t.Errorf("%v", made)
		}
		list := b.exceedances("")
		if len(list) != 1 || list[0].GetTrace() != nil || list[0].GetTraceSampleCount() != 6 {
			t.Errorf("lists and what is tried only: %v", list)
		}
		got := of(b.GetEngineExceedance(b.as("viewer"), &performancev1.GetEngineExceedanceRequest{Name: made.GetName()})).done(t)
		if !proto.Equal(got.GetTrace(), traced("[degF]", start, fahrenheit).GetTrace()) {
			t.Errorf("%v", got.GetTrace())
		}
		first := of(b.RenderEngineExceedance(b.as("viewer"), &performancev1.RenderEngineExceedanceRequest{Name: made.GetName()})).done(t)
		for _, want := range []string{"Engine DEMO-1; 0 s is 2026-09-07 05:00:00 UTC.", "revision 1", "B 4.1 s (from 830 °C)", made.GetExplanation()} {
			if !strings.Contains(first.GetAlternativeText(), want) {
				t.Errorf("%q lacks %q", first.GetAlternativeText(), want)
			}
		}
		if c := count(t, first.GetContent()); c["used"] != 6 || c["event"] != 1 || c["zone"] != 3 || first.GetFileName() != "exceedance-DEMO-1-20260907-050000.svg" {
			t.Errorf("%v, %s", c, first.GetFileName())
		}
		m.ExceedanceCharts = nil // the model moves on
		of(b.UpdateEngineModel(b.analyst(), &performancev1.UpdateEngineModelRequest{EngineModel: m})).done(t)
		of(b.CloseEngineExceedance(b.as("quality"), b.closing(made))).done(t)
		again := of(b.RenderEngineExceedance(b.as("viewer"), &performancev1.RenderEngineExceedanceRequest{Name: made.GetName()})).done(t)
		if !bytes.Equal(first.GetContent(), again.GetContent()) {
			t.Error("the picture of a record changed with the model")
		}
		drawn := of(b.RenderEngineExceedance(b.as("viewer"), &performancev1.RenderEngineExceedanceRequest{Name: made.GetName(), Format: performancev1.ImageFormat_IMAGE_FORMAT_PNG})).done(t)
		if _, err := png.Decode(bytes.NewReader(drawn.GetContent())); err != nil || drawn.GetMediaType() != "image/png" {
			t.Errorf("%s, %v", drawn.GetMediaType(), err)
		}
	})
}

// All events of a trace are one record: of the severest zones that any of them meets, with the highest value of all.
func TestARecordSpeaksForAllEventsOfItsTrace(t *testing.T) {
	benches(t, func(t *testing.T, b bench) {
		b.withModel(nil)
		two := of(b.CreateEngineExceedance(b.analyst(), traced("Cel", [][2]float64{
			{0, 700}, {1, 810}, {31, 810}, {32, 700}, // 30 s without a sample, so perhaps zone A
			{100, 700}, {101, 835}, {105, 835}, {106, 700}, // 4 s and more over 830, so surely zone B
		}, celsius))).done(t)
		if two.GetZone() != "B" || two.GetPossibleZone() != "B" || two.GetVerdict() != performancev1.EngineExceedance_ZONE_MET || two.GetPeak().GetValue() != 835 ||
			!strings.Contains(two.GetExplanation(), "1 more such event") {
			t.Errorf("%v", two)
		}
		gap := of(b.CreateEngineExceedance(b.analyst(), traced("Cel", [][2]float64{{0, 700}, {1, 810}, {31, 810}, {32, 700}}, celsius))).done(t)
		if gap.GetVerdict() != performancev1.EngineExceedance_CANNOT_TELL || gap.GetPossibleZone() != "A" || !strings.Contains(gap.GetDuration().GetFormula(), "at least") {
			t.Errorf("%v", gap)
		}
		cut := of(b.CreateEngineExceedance(b.analyst(), traced("Cel", [][2]float64{{0, 700}, {1, 810}, {3, 810}}, celsius))).done(t)
		if cut.GetVerdict() != performancev1.EngineExceedance_CANNOT_TELL || cut.GetZone() != "" || cut.GetPossibleZone() != "A" || !strings.Contains(cut.GetDuration().GetFormula(), "at least") {
			t.Errorf("%v", cut)
		}
		cool := of(b.CreateEngineExceedance(b.analyst(), traced("Cel", [][2]float64{{0, 700}, {1, 790}, {2, 700}}, celsius))).done(t)
		if cool.GetVerdict() != performancev1.EngineExceedance_NO_ZONE || cool.GetPeak().GetValue() != 790 || cool.GetDuration() != nil || cool.GetAction() != "" {
			t.Errorf("%v", cool)
		}
	})
}

func TestTracesThatAreNotRecorded(t *testing.T) {
	benches(t, func(t *testing.T, b bench) {
		b.withModel(nil)
		for reason, change := range map[string]func(*performancev1.CreateEngineExceedanceRequest){
			"EXCEEDANCE_UNSTATED": func(r *performancev1.CreateEngineExceedanceRequest) { r.Peak = in("840", "Cel") },
			"UNIT_MISMATCH":       func(r *performancev1.CreateEngineExceedanceRequest) { r.Trace.UnitCode = "%" },
			"TRACE_AMBIGUOUS":     func(r *performancev1.CreateEngineExceedanceRequest) { r.Trace.Samples[1].OffsetSeconds = 0 },
			"TRACE_INVALID":       func(r *performancev1.CreateEngineExceedanceRequest) { r.Trace.Samples[1].Value = 1e14 },
			"TIME_IN_FUTURE":      func(r *performancev1.CreateEngineExceedanceRequest) { r.Trace.Samples[1].OffsetSeconds = 3601 },
		} {
			req := traced("Cel", start, celsius)
			change(req)
			of(b.CreateEngineExceedance(b.analyst(), req)).refused(t, reason)
		}
		long := traced("Cel", start, celsius)
		long.Duration = in("5", "s")
		of(b.CreateEngineExceedance(b.analyst(), long)).refused(t, "EXCEEDANCE_UNSTATED")
		long.Trace, long.Duration = nil, nil
		of(b.CreateEngineExceedance(b.analyst(), long)).refused(t, "EXCEEDANCE_UNSTATED")
		long.Peak = in("840", "Cel")
		untraced := of(b.CreateEngineExceedance(b.analyst(), long)).done(t)
		of(b.RenderEngineExceedance(b.analyst(), &performancev1.RenderEngineExceedanceRequest{Name: untraced.GetName()})).refused(t, "TRACE_NOT_KEPT")
		if kept := b.exceedances(""); len(kept) != 1 {
			t.Errorf("a refused trace left something behind: %v", kept)
		}
	})
}
