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
	in := &inflow{app: a, resp: &performancev1.StreamReadingsResponse{}, profiles: map[string]store.Profile{}, touched: map[string]bool{}}
	broken := in.drain(ctx, receive)
	ctx = context.WithoutCancel(ctx) // what is durable is worked out, whoever waits
	for _, engine := range slices.Sorted(maps.Keys(in.touched)) {
		held, err := a.settle(ctx, engine)
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
	touched  map[string]bool // engines with new readings
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
	var outcomes []outcome
	err := in.app.DB.Update(ctx, func(ctx context.Context, tx *storage.Tx) (err error) {
		u := in.app.unit(ctx, tx)
		if outcomes, err = u.flow(ctx, in.waiting, in.profiles); err != nil {
			return err
		}
		pended := map[string]bool{}
		for _, o := range outcomes {
			if o.refusal != nil || o.known || pended[o.engine] {
				continue
			}
			pended[o.engine] = true
			if err := store.Pend(ctx, tx, o.engine, u.now); err != nil {
				return err
			}
		}
		return nil
	})
	if err != nil {
		return err
	}
	for i, o := range outcomes {
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

// flow keeps readings of a stream, all good ones with few statements, and says what became of each.
func (u unit) flow(ctx context.Context, reqs []arrival, profiles map[string]store.Profile) ([]outcome, error) {
	outcomes := make([]outcome, len(reqs))
	var good []*performancev1.Reading
	var at []int // where each good one stands
	for i, req := range reqs {
		p := profiles[req.GetParent()]
		outcomes[i].engine = p.Name
		if p.Name == "" {
			outcomes[i].refusal = fault.Precondition("ENGINE_UNKNOWN", "%.60q is not an engine that compliance knows. Add the engine there first.", req.GetParent())
			continue
		}
		err := req.wrong
		if err == nil {
			err = u.name(req.GetReading(), p)
		}
		if f, refused := refusal(err); refused {
			outcomes[i].refusal = f
			continue
		} else if err != nil {
			return nil, err
		}
		good, at = append(good, req.GetReading()), append(at, i)
	}
	added, err := store.Readings.InsertAll(ctx, u.Tx, good, u.now)
	if err != nil {
		return nil, err
	}
	for k, i := range at {
		if added[k] {
			continue
		}
		outcomes[i].known, err = u.knows(ctx, good[k])
		if f, refused := refusal(err); refused {
			outcomes[i].refusal = f
		} else if err != nil {
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
	}
}

// settle works an engine out that has new readings, and tells of these. It says how many of them are held.
func (a *App) settle(ctx context.Context, engine string) (held int32, err error) {
	err = a.DB.Update(ctx, func(ctx context.Context, tx *storage.Tx) (err error) {
		held, err = a.unit(ctx, tx).settle(ctx, engine)
		return err
	})
	return held, err
}

func (u unit) settle(ctx context.Context, engine string) (held int32, err error) {
	names, err := store.Unpend(ctx, u.Tx, engine)
	if err != nil || len(names) == 0 {
		return 0, err
	}
	if err := u.extend(ctx, engine, names); err != nil {
		return 0, err
	}
	for _, name := range names {
		reading, err := store.Readings.Get(ctx, u.Tx, name)
		if err != nil {
			return 0, err
		}
		held += heldCount(reading)
	}
	return held, u.recorded(ctx, engine, names, held)
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
		_, err = a.settle(ctx, engine)
	}
	return err
}
