package server_test

import (
	"bytes"
	"encoding/xml"
	"errors"
	"image/png"
	"io"
	"strings"
	"testing"
	"time"

	performancev1 "coldsection.example/proto/coldsection/performance/v1"
	"coldsection.example/services/performance/internal/store"
	"coldsection.example/services/platform/storage/storagetest"
)

const trendName = engineName + "/trend"

// Every reading with a deviation is a dot of each panel, and the words are the trend's own (check PRF-01).
func TestAChartShowsWhatTheTrendSays(t *testing.T) {
	benches(t, func(t *testing.T, b bench) {
		m := b.withModel(nil)
		of(b.RenderTrend(b.as("viewer"), &performancev1.RenderTrendRequest{Name: trendName})).refused(t, "NOT_FOUND")
		of(b.ImportReadings(b.analyst(), &performancev1.ImportReadingsRequest{Csv: siTable(m, 60)})).done(t)
		of(b.ExcludeReading(b.analyst(), &performancev1.ExcludeReadingRequest{Name: b.readings()[30].GetName(), Reason: "wet probe"})).done(t)
		of(b.CreateEngineEvent(b.analyst(), &performancev1.CreateEngineEventRequest{Parent: engineName, EngineEvent: &performancev1.EngineEvent{
			Kind: performancev1.EngineEvent_RECOVERY_WASH, EventTime: stampAt(20),
		}})).done(t)
		trend := of(b.GetTrend(b.as("viewer"), &performancev1.GetTrendRequest{Name: trendName})).done(t)
		used, unused := 0, 0
		for _, p := range trend.GetPoints() {
			switch {
			case p.GetDeviation() == nil:
			case p.GetState() == performancev1.Reading_ACCEPTED:
				used++
			default:
				unused++
			}
		}
		got := of(b.RenderTrend(b.as("viewer"), &performancev1.RenderTrendRequest{Name: trendName})).done(t)
		classes := count(t, got.GetContent())
		if used == 0 || classes["used"] != 3*used || classes["unused"] != 3*unused || classes["event"] != 3 || classes["band"] == 0 {
			t.Errorf("%v, used %d, not used %d", classes, used, unused)
		}
		for _, want := range []string{"Engine DEMO-1", "DEMONSTRATION ONLY", "revision 1", "ITT deviation, °C", "W wash with cleaner"} {
			if !bytes.Contains(got.GetContent(), []byte(want)) {
				t.Errorf("the chart lacks %q", want)
			}
		}
		if !strings.Contains(got.GetAlternativeText(), trend.GetSummary()) || got.GetMediaType() != "image/svg+xml" || got.GetFileName() != "trend-DEMO-1.svg" {
			t.Errorf("got %q, %s, %s", got.GetAlternativeText(), got.GetMediaType(), got.GetFileName())
		}
		picture := of(b.RenderTrend(b.as("viewer"), &performancev1.RenderTrendRequest{Name: trendName, Format: performancev1.ImageFormat_IMAGE_FORMAT_PNG})).done(t)
		if img, err := png.Decode(bytes.NewReader(picture.GetContent())); err != nil || img.Bounds().Dx() != 1350 {
			t.Errorf("got %v, %v", picture.GetMediaType(), err)
		}
	})
}

// A chart without a beginning shows all readings: also those before the newest 2,000, which are as many as a trend has unless one asks for more.
func TestAChartBeginsWithTheFirstReading(t *testing.T) {
	b := benchOn(t, storagetest.SQLite(t, store.Migrations()))
	m := b.withModel(nil)
	of(b.ImportReadings(b.analyst(), &performancev1.ImportReadingsRequest{Csv: siTable(m, 2100)})).done(t)
	got := of(b.RenderTrend(b.as("viewer"), &performancev1.RenderTrendRequest{Name: trendName})).done(t)
	if words := got.GetAlternativeText(); !strings.Contains(words, "from "+morning.Add(-2100*time.Hour).Format(time.DateOnly)+" to") {
		t.Errorf("%s", words)
	}
	if classes := count(t, got.GetContent()); classes["used"]+classes["unused"] != 3*2100 {
		t.Errorf("%v", classes)
	}
}

// count counts the shapes of a drawing by class, and fails when it isn't well-formed.
func count(t *testing.T, drawing []byte) map[string]int {
	t.Helper()
	classes := map[string]int{}
	d := xml.NewDecoder(bytes.NewReader(drawing))
	for {
		token, err := d.Token()
		if errors.Is(err, io.EOF) {
			return classes
		}
		if err != nil {
			t.Fatal(err)
		}
		if start, ok := token.(xml.StartElement); ok {
			for _, a := range start.Attr {
				if a.Name.Local == "class" {
					classes[a.Value]++
				}
			}
		}
	}
}
