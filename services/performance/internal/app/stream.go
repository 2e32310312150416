package app

import (
	"context"
	"errors"
	"io"
	"maps"
	"slices"

	performancev1 "coldsection.example/proto/coldsection/performance/v1"
	"coldsection.example/services/performance/internal/store"
	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/resource"
	"coldsection.example/services/platform/storage"
)

// batch is how many readings of a stream become durable together, and reported is how many refusals its answer carries.
const (
	batch    = 500
	reported = 1000
)

// StreamReadings takes readings in the order in which receive gives them, until it gives io.EOF. They become durable in that
// order, and each engine is worked out once at the end. A stream that breaks keeps what came before.
func (a *App) StreamReadings(
	ctx context.Context, receive func() (*performancev1.StreamReadingsRequest, error),
) (*performancev1.StreamReadingsResponse, error) {
	in := &inflow{
		app: a, resp: &performancev1.StreamReadingsResponse{}, profiles: map[string]store.Profile{}, touched: map[string]bool{}, drafts: map[string]*draft{},
	}
	broken := in.drain(ctx, receive)
	ctx = context.WithoutCancel(ctx) // what is durable is worked out, whoever waits
	for _, engine := range slices.Sorted(maps.Keys(in.touched)) {
		held, err := a.settle(ctx, engine, in.drafts[engine])
		if err != nil {
			return nil, errors.Join(broken, err)
		}
		in.resp.HeldCount += int64(held)
	}
	return in.resp, broken
}

// inflow is a stream of readings under way.
type inflow struct {
	app      *App
	resp     *performancev1.StreamReadingsResponse
	profiles map[string]store.Profile
	touched  map[string]bool   // engines with new readings
	drafts   map[string]*draft // by engine; nil for one that is worked out at the end
	waiting  []arrival
}

// arrival is a reading of the stream with its canonical values, or what is wrong with them.
type arrival struct {
	*performancev1.StreamReadingsRequest

	wrong error
	end   error // set in place of a reading when the stream ended or broke
}

// arrivals works the canonical values out while the readings before are being written.
func arrivals(ctx context.Context, receive func() (*performancev1.StreamReadingsRequest, error)) <-chan arrival {
	out := make(chan arrival, 2*batch)
	go func() {
		for {
			req, err := receive()
			a := arrival{StreamReadingsRequest: req, end: err}
			if err == nil {
				resource.ClearOutputOnly(req.GetReading())
				a.wrong = canonical(req.GetReading())
			}
			select {
			case out <- a:
			case <-ctx.Done():
				return
			}
			if err != nil {
				return
			}
		}
	}()
	return out
}

// drain reads the stream to its end, batch by batch.
func (in *inflow) drain(ctx context.Context, receive func() (*performancev1.StreamReadingsRequest, error)) error {
	reading, stop := context.WithCancel(context.WithoutCancel(ctx)) // receive itself ends with the stream
	defer stop()
	for a := range arrivals(reading, receive) {
		if a.end != nil {
			flushed := in.flush(context.WithoutCancel(ctx))
			if errors.Is(a.end, io.EOF) {
				a.end = nil
			}
			return errors.Join(a.end, flushed)
		}
		if in.waiting = append(in.waiting, a); len(in.waiting) == batch {
			if err := in.flush(ctx); err != nil {
				return err
			}
		}
	}
	return nil
}

// outcome is what became of one reading.
type outcome struct {
	engine  string
	known   bool
	refusal *fault.Error
}

// flush makes the waiting readings durable in one transaction and then counts them.
func (in *inflow) flush(ctx context.Context) error {
	if len(in.waiting) == 0 {
		return nil
	}
	if err := in.meet(ctx); err != nil {
		return err
	}
	sorted, err := in.sort()
	if err != nil {
		return err
	}
	if err := in.draft(ctx, sorted); err != nil {
		return err
	}
	var outcomes []outcome
	err = in.app.DB.Update(ctx, func(ctx context.Context, tx *storage.Tx) (err error) {
		outcomes, err = in.app.unit(ctx, tx).flow(ctx, in.waiting, slices.Clone(sorted))
		return err
	})
	if err != nil {
		clear(in.drafts) // which foresaw what did not happen
		return err
	}
	for i, o := range outcomes {
		if sorted[i].refusal == nil && (o.known || o.refusal != nil) {
			in.drafts[o.engine] = nil
		}
		in.count(in.waiting[i], o)
	}
	in.waiting = in.waiting[:0]
	return nil
}

// meet looks the engines of the waiting readings up; one that nobody knows has an empty profile.
func (in *inflow) meet(ctx context.Context) error {
	for _, req := range in.waiting {
		if _, met := in.profiles[req.GetParent()]; met {
			continue
		}
		profile, err := in.app.know(ctx, req.GetParent())
		if err != nil && !fault.HasReason(err, "ENGINE_UNKNOWN") {
			return err
		}
		in.profiles[req.GetParent()] = profile
	}
	return nil
}

// sort names the waiting readings of known engines, and refuses what is no reading of one.
func (in *inflow) sort() ([]outcome, error) {
	outcomes, now := make([]outcome, len(in.waiting)), in.app.Clock.Now()
	for i, req := range in.waiting {
		p := in.profiles[req.GetParent()]
		if outcomes[i].engine = p.Name; p.Name == "" {
			outcomes[i].refusal = fault.Precondition("ENGINE_UNKNOWN", "%.60q is not an engine that compliance knows. Add the engine there first.", req.GetParent())
			continue
		}
		err := req.wrong
		if err == nil {
			err = name(req.GetReading(), p, now)
		}
		if f, refused := refusal(err); refused {
			outcomes[i].refusal = f
		} else if err != nil {
			return nil, err
		}
	}
	return outcomes, nil
}

// flow keeps the readings of a stream that are not refused, with few statements, and completes what became of each.
func (u unit) flow(ctx context.Context, reqs []arrival, outcomes []outcome) ([]outcome, error) {
	var good []*performancev1.Reading
	var at []int // where each good one stands
	for i, req := range reqs {
		if outcomes[i].refusal == nil {
			good, at = append(good, req.GetReading()), append(at, i)
		}
	}
	added, err := store.Readings.InsertAll(ctx, u.Tx, good, u.now)
	if err != nil {
		return nil, err
	}
	fresh := map[string]bool{}
	for k, i := range at {
		if added[k] {
			fresh[outcomes[i].engine] = true
			continue
		}
		outcomes[i].known, err = u.knows(ctx, good[k])
		if f, refused := refusal(err); refused {
			outcomes[i].refusal = f
		} else if err != nil {
			return nil, err
		}
	}
	for _, engine := range slices.Sorted(maps.Keys(fresh)) {
		if err := store.Pend(ctx, u.Tx, engine, u.now); err != nil {
			return nil, err
		}
	}
	return outcomes, nil
}

// refusal is what a reading of its own is refused for; any other error ends the whole.
func refusal(err error) (*fault.Error, bool) {
	f, refused := fault.As(err)
	return f, refused && f.Category == fault.InvalidArgument
}

func (in *inflow) count(req arrival, o outcome) {
	in.resp.ReceivedCount++
	in.resp.LastSourceId = req.GetReading().GetSourceId()
	switch {
	case o.refusal != nil:
		if in.resp.RefusedCount++; in.resp.GetRefusedCount() <= reported {
			in.resp.Problems = append(in.resp.Problems, &performancev1.RowProblem{
				Line: int32(in.resp.GetReceivedCount()), Reason: o.refusal.Reason, Text: o.refusal.Message, Refused: true,
			})
		}
	case o.known:
		in.resp.KnownCount++
	default:
		in.resp.TakenCount++
		in.touched[o.engine] = true
		if d := in.drafts[o.engine]; d != nil {
			d.told.add(req.GetReading())
		}
	}
}

// settle works an engine out that has new readings, and tells of these. It says how many of them are held. A draft of it is
// used where it still holds.
func (a *App) settle(ctx context.Context, engine string, d *draft) (held int32, err error) {
	err = a.DB.Update(ctx, func(ctx context.Context, tx *storage.Tx) (err error) {
		held, err = a.unit(ctx, tx).settle(ctx, engine, d)
		return err
	})
	return held, err
}

func (u unit) settle(ctx context.Context, engine string, d *draft) (held int32, err error) {
	if holds, err := u.adopt(ctx, d); err != nil || holds {
		return d.told.held, err
	}
	fresh, err := store.Unpend(ctx, u.Tx, engine)
	if err != nil || len(fresh) == 0 {
		return 0, err
	}
	stand, err := u.extend(ctx, engine, fresh)
	if err != nil {
		return 0, err
	}
	var c came
	for _, r := range fresh {
		c.add(stand[r.GetName()])
	}
	return c.held, u.recorded(ctx, engine, c)
}

// SettleAll works out what a process that ended early left behind.
func (a *App) SettleAll(ctx context.Context) error {
	var engines []string
	err := a.DB.View(ctx, func(ctx context.Context, tx *storage.Tx) (err error) {
		engines, err = store.Pending(ctx, tx)
		return err
	})
	for _, engine := range engines {
		if err != nil {
			return err
		}
		_, err = a.settle(ctx, engine, nil)
	}
	return err
}
