package app

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"math"
	"slices"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	performancev1 "coldsection.example/proto/coldsection/performance/v1"
	"coldsection.example/services/performance/internal/baseline"
	"coldsection.example/services/performance/internal/store"
	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/idempotency"
	"coldsection.example/services/platform/resource"
	"coldsection.example/services/platform/storage"
)

// usualWindow is how many days an engine counts as clean, when the caller does not say.
const usualWindow = 60

// learning is a baseline being learned.
type learning struct {
	unit

	model   *performancev1.EngineModel
	present *baseline.Model
	window  int32
	engines map[string]*performancev1.LearnedEngine
	fleet   []baseline.Source
}

// LearnBaseline learns a baseline from the fleet and changes nothing.
func (a *App) LearnBaseline(ctx context.Context, req *performancev1.LearnBaselineRequest) (resp *performancev1.LearnBaselineResponse, err error) {
	err = a.DB.View(ctx, func(ctx context.Context, tx *storage.Tx) error {
		resp, err = a.unit(ctx, tx).learn(ctx, req.GetName(), req.GetWindowDays())
		return err
	})
	return resp, err
}

// AdoptBaseline makes the learned baseline the next revision's. It learns it again, so that nothing is adopted that the
// readings do not say.
func (a *App) AdoptBaseline(ctx context.Context, req *performancev1.AdoptBaselineRequest) (*performancev1.EngineModel, error) {
	return idempotency.Execute(ctx, a.DB, a.Clock, req, func(ctx context.Context, tx *storage.Tx) (*performancev1.EngineModel, error) {
		u := a.unit(ctx, tx)
		model, err := store.Models.Lock(ctx, tx, req.GetName())
		if err != nil {
			return nil, err
		}
		if err := resource.CheckEtag(model, req.GetEtag()); err != nil {
			return nil, err
		}
		if req.GetDocument().GetTitle() == "" || req.GetDocument().GetRevision() == "" {
			return nil, fault.Invalid("document", "DOCUMENT_MISSING", "A learned baseline is adopted under a document with its revision. Add the one that approves it.")
		}
		learned, err := u.learn(ctx, req.GetName(), req.GetWindowDays())
		if err != nil {
			return nil, err
		}
		if learned.GetDigest() != req.GetDigest() {
			return nil, fault.Precondition("LEARNED_BASELINE_CHANGED",
				"The readings or the engine data changed since this baseline was judged. Learn it again, judge it, and adopt that.")
		}
		polynomial := learned.GetPolynomial()
		polynomial.Document = req.GetDocument()
		model.Baseline = &performancev1.Baseline{Polynomial: polynomial}
		return model, u.revise(ctx, model)
	})
}

// learn learns a baseline for a model.
func (u unit) learn(ctx context.Context, model string, window int32) (*performancev1.LearnBaselineResponse, error) {
	l := &learning{unit: u, window: window, engines: map[string]*performancev1.LearnedEngine{}}
	if window == 0 {
		l.window = usualWindow
	}
	var err error
	if l.model, l.present, err = u.baselineOf(ctx, model); err != nil {
		return nil, err
	}
	profiles, err := store.ProfilesOf(ctx, u.Tx, model)
	if err != nil {
		return nil, err
	}
	for _, p := range profiles {
		if err := l.add(ctx, p); err != nil {
			return nil, err
		}
	}
	learned, err := baseline.Learn(l.fleet, exponentsOf(l.model))
	if err != nil {
		return nil, err
	}
	return l.answer(learned)
}

// cleaning are events after which an engine counts as clean.
var cleaning = map[performancev1.EngineEvent_Kind]bool{performancev1.EngineEvent_RECOVERY_WASH: true, performancev1.EngineEvent_OVERHAUL: true}

// span is a time in which an engine counts as clean.
type span struct{ from, to time.Time }

// add takes an engine's clean readings in, oldest first.
func (l *learning) add(ctx context.Context, p store.Profile) error {
	spans, err := l.clean(ctx, p.Name)
	if err != nil {
		return err
	}
	source := baseline.Source{Engine: p.Name}
	e := &performancev1.LearnedEngine{Engine: p.Name, EngineSerial: p.Serial}
	for _, s := range spans {
		condition, args := store.Under(p.Name + "/readings")
		args = append(args, storage.Micros(s.from), storage.Micros(s.to))
		stored, err := store.Readings.Where(ctx, l.Tx, condition+" AND state = 'ACCEPTED' AND read_time >= $3 AND read_time < $4 ORDER BY read_time, name", args...)
		if err != nil {
			return err
		}
		for _, r := range stored {
			if e.GetFirstReadTime() == nil {
				e.FirstReadTime = r.GetReadTime()
			}
			e.LastReadTime = r.GetReadTime()
			source.Readings = append(source.Readings, baseline.Clean{Point: pointOf(r.GetValues()), Age: r.GetReadTime().AsTime().Sub(s.from).Hours() / 24})
		}
	}
	l.fleet, l.engines[p.Name] = append(l.fleet, source), e
	return nil
}

// clean are the times in which an engine counts as clean, oldest first: the window after each wash that was not found to have
// done nothing and after each overhaul, up to the next such event, and up to the onset of a change that no repair answered yet.
func (l *learning) clean(ctx context.Context, engine string) ([]span, error) {
	events, err := store.StandingEvents(ctx, l.Tx, engine)
	if err != nil {
		return nil, err
	}
	condition, args := store.Under(engine + "/recoveries")
	vain, err := store.Recoveries.Where(ctx, l.Tx, condition+" AND verdict = 'NOT_RECOVERED' ORDER BY wash_time", args...)
	if err != nil {
		return nil, err
	}
	shifted, err := l.shifted(ctx, engine)
	if err != nil {
		return nil, err
	}
	var out []span
	for i, e := range events {
		at := e.GetEventTime().AsTime()
		nothing := slices.ContainsFunc(vain, func(r *performancev1.Recovery) bool { return r.GetWashTime().AsTime().Equal(at) })
		if !cleaning[e.GetKind()] || nothing {
			continue
		}
		s := span{at, at.AddDate(0, 0, int(l.window))}
		for _, later := range events[i+1:] {
			if breaks[later.GetKind()] && later.GetEventTime().AsTime().Before(s.to) {
				s.to = later.GetEventTime().AsTime()
			}
		}
		if s = unshifted(s, shifted, events); s.from.Before(s.to) {
			out = append(out, s)
		}
	}
	return out, nil
}

// shifted are the onsets of an engine's changes that dirt does not explain.
func (l *learning) shifted(ctx context.Context, engine string) (onsets []time.Time, err error) {
	now, err := store.Assessments.Get(ctx, l.Tx, engine+"/assessment")
	if fault.HasReason(err, "NOT_FOUND") {
		return nil, nil
	}
	for _, s := range now.GetShifts() {
		if len(s.GetCauses()) == 0 || s.GetCauses()[0].GetCause() != "fouling" {
			onsets = append(onsets, s.GetOnsetTime().AsTime())
		}
	}
	return onsets, err
}

// unshifted cuts a span where a change begins, or leaves nothing of it when one stands at its beginning.
func unshifted(s span, onsets []time.Time, events []*performancev1.EngineEvent) span {
	for _, onset := range onsets {
		if onset.After(s.from) {
			if onset.Before(s.to) {
				s.to = onset
			}
			continue
		}
		answered := slices.ContainsFunc(events, func(e *performancev1.EngineEvent) bool {
			at := e.GetEventTime().AsTime()
			return repairs[e.GetKind()] && at.After(onset) && !at.After(s.from)
		})
		if !answered {
			return span{}
		}
	}
	return s
}

// answer writes what was learned.
func (l *learning) answer(learned *baseline.Learned) (*performancev1.LearnBaselineResponse, error) {
	fitted, err := baseline.Of(learned.Polynomial, exponentsOf(l.model))
	if err != nil {
		return nil, fmt.Errorf("the learned baseline: %w", err)
	}
	resp := &performancev1.LearnBaselineResponse{
		Polynomial: polynomialProto(learned.Polynomial), Scatter: termProto("", learned.Scale), LevelError: termProto("", learned.Level),
		ReadingCount: int32(learned.Readings), WindowDays: l.window, LeftOut: learned.LeftOut, EngineModel: l.model.GetName(), ModelRevision: l.model.GetRevision(),
		Difference: l.difference(fitted),
		Cautions: []string{
			"A learned baseline is the mean of engines as they are, not the maker's: what all of them have in common, such as age or one way of indicating, is in it.",
			"It is no approved limit or power-check chart, and overrides none.",
		},
	}
	if learned.Dirt != (baseline.Values{}) {
		resp.Dirt = termProto("", learned.Dirt)
	}
	for _, t := range learned.Errors {
		resp.StandardErrors = append(resp.StandardErrors, termProto(t.Name, t.Coefficients))
	}
	for _, o := range learned.Engines {
		e := l.engines[o.Engine]
		e.Offset, e.ReadingCount, e.DiscountedCount = termProto("", o.Offset), int32(o.Readings), int32(o.Discounted)
		resp.Engines = append(resp.Engines, e)
	}
	l.explain(resp)
	sum, err := digest(resp.GetPolynomial(), l.model.GetRevision())
	resp.Digest = sum
	return resp, err
}

// explain says in words what the baseline rests on.
func (l *learning) explain(resp *performancev1.LearnBaselineResponse) {
	var first, last *timestamppb.Timestamp
	for _, e := range resp.GetEngines() {
		if first == nil || e.GetFirstReadTime().AsTime().Before(first.AsTime()) {
			first = e.GetFirstReadTime()
		}
		if last == nil || e.GetLastReadTime().AsTime().After(last.AsTime()) {
			last = e.GetLastReadTime()
		}
	}
	basis := fmt.Sprintf("%d readings of %d engines between %s and %s, each within %d days of a wash or an overhaul, referred as %s revision %d says",
		resp.GetReadingCount(), len(resp.GetEngines()), first.AsTime().Format(time.DateOnly), last.AsTime().Format(time.DateOnly), l.window, l.model.GetName(), l.model.GetRevision())
	resp.Polynomial.Basis = basis
	resp.Explanation = fmt.Sprintf("Robust regression (Huber, 1.345) over %s, with an offset for each engine and the dirt that came as a straight line of days. "+
		"Single readings scatter by %.1f K of referred ITT, and the fleet's mean is known to ±%.1f K (one standard deviation).",
		basis, resp.GetScatter().GetIttK(), resp.GetLevelError().GetIttK())
}

// difference is the mean of the learned less the present baseline over the clean readings that both cover.
func (l *learning) difference(learned *baseline.Model) *performancev1.Deviation {
	var sum baseline.Values
	n := 0.0
	for _, s := range l.fleet {
		for _, r := range s.Readings {
			a, err := learned.Expect(r.Point)
			b, other := l.present.Expect(r.Point)
			if err != nil || other != nil {
				continue
			}
			n++
			sum.ITT, sum.Ng = sum.ITT+a.Expected.ITT-b.Expected.ITT, sum.Ng+a.Expected.Ng-b.Expected.Ng
			sum.Fuel += 100 * (a.Expected.Fuel/b.Expected.Fuel - 1)
		}
	}
	n = math.Max(1, n)
	return &performancev1.Deviation{IttC: sum.ITT / n, NgPct: sum.Ng / n, FuelFlowPct: sum.Fuel / n}
}

// digest names a baseline and the revision that it was learned with.
func digest(p *performancev1.BaselinePolynomial, revision int32) (string, error) {
	body, err := proto.MarshalOptions{Deterministic: true}.Marshal(p)
	if err != nil {
		return "", err
	}
	sum := sha256.Sum256(append(body, fmt.Sprintf("@%d", revision)...))
	return hex.EncodeToString(sum[:]), nil
}

func termProto(name string, v baseline.Values) *performancev1.BaselineTerm {
	return &performancev1.BaselineTerm{Term: name, IttK: v.ITT, NgPct: v.Ng, FuelFlowKgH: v.Fuel}
}

func polynomialProto(p baseline.Polynomial) *performancev1.BaselinePolynomial {
	out := &performancev1.BaselinePolynomial{
		PowerScaleKw: p.Power, PropellerSpeedScaleRpm: p.Np, MinReferredPowerKw: p.Low, MaxReferredPowerKw: p.High, MinTheta: p.Cold, MaxTheta: p.Hot,
		Uncertainty: &performancev1.Noise{IttC: p.Error.ITT, NgPct: p.Error.Ng, FuelFlowPct: p.Error.Fuel},
	}
	for _, t := range p.Terms {
		out.Terms = append(out.Terms, termProto(t.Name, t.Coefficients))
	}
	return out
}
