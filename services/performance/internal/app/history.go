package app

import (
	"context"
	"fmt"
	"math"
	"time"

	commonv1 "coldsection.example/proto/coldsection/common/v1"
	performancev1 "coldsection.example/proto/coldsection/performance/v1"
	"coldsection.example/services/performance/internal/baseline"
	"coldsection.example/services/performance/internal/hours"
	"coldsection.example/services/performance/internal/margin"
	"coldsection.example/services/performance/internal/store"
	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/quantity"
	"coldsection.example/services/platform/storage"
)

// history is what is known of an engine for a calculation: its accepted readings and what was done to it, in order of time.
type history struct {
	profile    store.Profile
	model      *performancev1.EngineModel
	fitted     *baseline.Model
	readings   []margin.Reading // hours that can't be true with those of the others are left out
	doubted    []string         // readings whose hours are left out
	fuel       []float64        // kg/h, of each reading
	events     []*performancev1.EngineEvent
	assessment *performancev1.Assessment // nil before the first reading
	recoveries []*performancev1.Recovery
	open       *performancev1.WashAdvice // nil when none stands
}

// historyOf reads an engine's history in one snapshot.
func (a *App) historyOf(ctx context.Context, engine string) (*history, error) {
	profile, err := a.know(ctx, engine)
	if err != nil {
		return nil, err
	}
	h := &history{profile: profile}
	return h, a.DB.View(ctx, func(ctx context.Context, tx *storage.Tx) error {
		if h.model, h.fitted, err = a.unit(ctx, tx).baselineOf(ctx, profile.Model); err != nil {
			return err
		}
		condition, args := store.Under(profile.Name + "/readings")
		stored, err := store.Readings.Where(ctx, tx, condition+" AND state = 'ACCEPTED' ORDER BY read_time, name", args...)
		if err != nil {
			return err
		}
		h.take(stored)
		if h.events, err = store.StandingEvents(ctx, tx, profile.Name); err != nil {
			return err
		}
		condition, args = store.Under(profile.Name + "/recoveries")
		if h.recoveries, err = store.Recoveries.Where(ctx, tx, condition+" ORDER BY wash_time", args...); err != nil {
			return err
		}
		if h.open, err = a.unit(ctx, tx).openAdvice(ctx, profile.Name); err != nil {
			return err
		}
		h.assessment, err = store.Assessments.Get(ctx, tx, profile.Name+"/assessment")
		if fault.HasReason(err, "NOT_FOUND") {
			h.assessment, err = nil, nil
		}
		return err
	})
}

// take works the deviations out with the newest revision, so that all of them refer to one baseline.
func (h *history) take(stored []*performancev1.Reading) {
	believed := believedHours(stored)
	for i, r := range stored {
		if r.GetValues().GetOperatingHours() > 0 && believed[i] == 0 {
			h.doubted = append(h.doubted, r.GetName())
		}
		p := pointOf(r.GetValues())
		x, err := h.fitted.Expect(p)
		if err != nil {
			continue // it stands in the list with the reason why it is not analysed
		}
		d := x.Deviation(p)
		h.fuel = append(h.fuel, p.Fuel)
		h.readings = append(h.readings, margin.Reading{
			Sample: margin.Sample{At: r.GetReadTime().AsTime(), Hours: believed[i], ITT: d.ITT}, Deviation: d, Theta: x.Condition.Theta,
		})
	}
}

// believedHours are the hours of operation of readings in order of time; 0 for those that contradict the most of the others.
func believedHours(stored []*performancev1.Reading) []float64 {
	all, believed := make([]hours.At, len(stored)), make([]float64, len(stored))
	for i, r := range stored {
		all[i] = hours.At{Time: r.GetReadTime().AsTime(), Hours: r.GetValues().GetOperatingHours()}
	}
	for i, ok := range hours.Credible(all) {
		if ok {
			believed[i] = all[i].Hours
		}
	}
	return believed
}

// doubts say which hours are left out; empty when all can be true.
func (h *history) doubts() []string {
	if len(h.doubted) == 0 {
		return nil
	}
	return []string{fmt.Sprintf("Readings whose operating hours fall, or rise faster than the clock, beside those of the others: %d, the newest %s. Their hours are left out. Correct them.",
		len(h.doubted), h.doubted[len(h.doubted)-1])}
}

// breaks are events after which the deviations have another level.
var breaks = map[performancev1.EngineEvent_Kind]bool{
	performancev1.EngineEvent_RECOVERY_WASH: true, performancev1.EngineEvent_HOT_SECTION: true, performancev1.EngineEvent_SENSOR_WORK: true,
	performancev1.EngineEvent_OVERHAUL: true,
}

// changed is when an event of the kinds last happened; the zero time when never.
func (h *history) changed(kinds map[performancev1.EngineEvent_Kind]bool) (at time.Time, counted float64) {
	for _, e := range h.events {
		if kinds[e.GetKind()] {
			at, counted = e.GetEventTime().AsTime(), e.GetOperatingHours()
		}
	}
	return at, counted
}

// since are the readings after a time.
func (h *history) since(at time.Time) []margin.Reading {
	for i, r := range h.readings {
		if !r.At.Before(at) {
			return h.readings[i:]
		}
	}
	return nil
}

// state is the present level, from the readings since the last change.
func (h *history) state() margin.State {
	at, _ := h.changed(breaks)
	return margin.StateOf(h.since(at), h.noise())
}

func (h *history) noise() margin.Noise {
	n := h.model.GetNoise()
	return margin.Noise{ITT: n.GetIttC(), Ng: n.GetNgPct(), Fuel: n.GetFuelFlowPct()}
}

// reference is where margins are stated: the model's condition with what the request changes.
func (h *history) reference(c *performancev1.ReferenceCondition) (margin.Reference, error) {
	r := referenceOf(h.model)
	for _, f := range []struct {
		field   string
		entered *commonv1.Entered
		into    *float64
		want    quantity.Dimension
	}{
		{"reference.oat", c.GetOat(), &r.Point.OAT, quantity.Temperature}, {"reference.pressure_altitude", c.GetPressureAltitude(), &r.Point.Altitude, quantity.Length},
		{"reference.torque", c.GetTorque(), &r.Point.Torque, quantity.Torque},
		{"reference.propeller_speed", c.GetPropellerSpeed(), &r.Point.Np, quantity.Rotation},
	} {
		if f.entered == nil {
			continue
		}
		v, err := measured(f.field, f.entered, f.want)
		if err != nil {
			return r, err
		}
		*f.into = v
	}
	return r, nil
}

// referenceOf is where a model states margins.
func referenceOf(m *performancev1.EngineModel) margin.Reference {
	return margin.Reference{
		Point: baseline.Point{
			Altitude: m.GetReferencePressureAltitudeM(), OAT: m.GetReferenceOatC(), Np: m.GetReferencePropellerSpeedRpm(), Torque: m.GetReferenceTorqueNm(),
		},
		ITT: limitOf(m, performancev1.Parameter_PARAMETER_ITT), Ng: limitOf(m, performancev1.Parameter_PARAMETER_NG), Reserve: m.GetPowerCheck().GetReserveC(),
	}
}

// limitOf is the lowest limit of a parameter; 0 without one.
func limitOf(m *performancev1.EngineModel, p performancev1.Parameter) float64 {
	lowest := math.Inf(1)
	for _, l := range m.GetLimits() {
		if l.GetParameter() == p {
			lowest = math.Min(lowest, l.GetMaxValue())
		}
	}
	if math.IsInf(lowest, 1) {
		return 0
	}
	return lowest
}
