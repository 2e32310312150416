package server_test

import (
	"context"
	"fmt"
	"math"
	"strings"
	"testing"

	compliancev1 "coldsection.example/proto/coldsection/compliance/v1"
	performancev1 "coldsection.example/proto/coldsection/performance/v1"
	"coldsection.example/services/platform/fault"
)

// corrected is a register with other engines than known.
type corrected struct {
	register

	engines []*compliancev1.Engine
}

func (c corrected) GetEngine(_ context.Context, req *compliancev1.GetEngineRequest) (*compliancev1.Engine, error) {
	for _, e := range c.engines {
		if e.GetName() == req.GetName() {
			return e, nil
		}
	}
	return nil, fault.Missing(req.GetName())
}

func (c corrected) ListEngines(_ context.Context, req *compliancev1.ListEnginesRequest) (*compliancev1.ListEnginesResponse, error) {
	out := &compliancev1.ListEnginesResponse{}
	for _, e := range c.engines {
		if req.GetFilter() == fmt.Sprintf("serial = %q", e.GetSerial()) {
			out.Engines = append(out.Engines, e)
		}
	}
	return out, nil
}

// now lets compliance say that these are the engines, and tells of a change of each.
func (b bench) now(engines ...*compliancev1.Engine) {
	b.t.Helper()
	b.app.Engines = corrected{engines: engines}
	for _, e := range engines {
		if err := b.hear(b.app, "coldsection.engine.changed.v1", &compliancev1.EngineChanged{Engine: e.GetName()}); err != nil {
			b.t.Fatal(err)
		}
	}
}

// An engine that was entered with the wrong model: once that is corrected, all its readings are worked out with the right one, whose ITT is
// 10 °C higher throughout. They stayed with the wrong one for ever.
func TestAnEngineOfTheWrongModelIsWorkedOutAnew(t *testing.T) {
	const other = "engineModels/other"
	benches(t, func(t *testing.T, b bench) {
		b.withModel(nil)
		hotter := model(t)
		for _, p := range hotter.GetBaseline().GetPoints() {
			p.IttC += 10
		}
		b.fly(worn{days: 40, noise: 1, dirt: func(int) float64 { return 0 }})
		before, stood := b.assessment(), b.readings()
		b.now(&compliancev1.Engine{Name: engineName, Serial: "DEMO-1", EngineModel: other})
		if now := b.stand(); now.GetEngineModel() != modelName || now.GetIttDeviationC().GetEstimate() != before.GetIttDeviationC().GetEstimate() {
			t.Errorf("without data for the new model: %v", now)
		}
		of(b.CreateEngineModel(b.analyst(), &performancev1.CreateEngineModelRequest{EngineModelId: "other", EngineModel: hotter})).done(t)
		for range 2 { // the second tells nothing new
			b.now(&compliancev1.Engine{Name: engineName, Serial: "DEMO-1", EngineModel: modelName})
			b.now(&compliancev1.Engine{Name: engineName, Serial: "DEMO-1", EngineModel: other})
		}
		after := b.assessment()
		if fell := before.GetIttDeviationC().GetEstimate() - after.GetIttDeviationC().GetEstimate(); after.GetEngineModel() != other || math.Abs(fell-10) > 0.05 {
			t.Errorf("%s: the deviation fell by %.2f °C", after.GetEngineModel(), fell)
		}
		for i, r := range b.readings() {
			if fell := stood[i].GetDeviation().GetIttC() - r.GetDeviation().GetIttC(); math.Abs(fell-10) > 0.05 {
				t.Errorf("%s: the deviation fell by %.2f °C", r.GetName(), fell)
			}
		}
	})
}

// The serial numbers of two engines were mixed up at entry. Once they are corrected, a table's rows go to the engine that has the number.
func TestSerialNumbersThatWereMixedUp(t *testing.T) {
	const second = "engines/two"
	benches(t, func(t *testing.T, b bench) {
		m := b.withModel(nil)
		count := func(engine string) int {
			return len(of(b.ListReadings(b.analyst(), &performancev1.ListReadingsRequest{Parent: engine, PageSize: 100})).done(t).GetReadings())
		}
		load := func(rows ...string) *performancev1.ImportReadingsResponse {
			return of(b.ImportReadings(b.analyst(), &performancev1.ImportReadingsRequest{Csv: siHeader + "\n" + strings.Join(rows, "\n") + "\n"})).done(t)
		}
		as := func(serial string, hours int) string { return serial + strings.TrimPrefix(siRow(m, hours), "DEMO-1") }
		load(as("DEMO-1", 9), as("DEMO-2", 8))
		if count(engineName) != 1 || count(second) != 1 {
			t.Fatal("before the correction")
		}
		one, two := &compliancev1.Engine{Name: engineName, Serial: "DEMO-2", EngineModel: modelName}, &compliancev1.Engine{Name: second, Serial: "DEMO-1", EngineModel: modelName}
		b.now(one, two)
		load(as("DEMO-1", 7), as("DEMO-1", 6))
		if count(engineName) != 1 || count(second) != 3 {
			t.Errorf("%d and %d readings", count(engineName), count(second))
		}
		one.Serial = "DEMO-9"
		b.now(one)
		if got := load(as("DEMO-2", 5)); got.GetRowsTaken() != 0 || got.GetProblems()[0].GetReason() != "ENGINE_UNKNOWN" {
			t.Errorf("a number that no engine has: %v", got)
		}
	})
}
