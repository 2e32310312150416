package app

import (
	"context"
	"errors"
	"fmt"
	"io"
	"maps"
	"runtime/debug"
	"slices"
	"time"

	performancev1 "coldsection.example/proto/coldsection/performance/v1"
	"coldsection.example/services/performance/internal/store"
	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/resource"
	"coldsection.example/services/platform/storage"
)

// inflow is a stream of readings under way. While a batch of it is being written, the next one arrives and is judged and encoded.
type inflow struct {
	app      *App
	resp     *performancev1.StreamReadingsResponse
	profiles map[string]store.Profile
	touched  map[string]bool   // engines with new readings
	drafts   map[string]*draft // by engine; nil for one that is worked out at the end
	waiting  []arrival
	begun    int  // batches
	writing  *lot // nil when none is
}

// enough is how many readings make the next batch. The first ones are small, so that the store is soon at work beside what else is done.
func (in *inflow) enough() int { return min(batch, batch>>3<<min(in.begun, 3)) }

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
			a := arrived(receive)
			if !handed(ctx, out, a) || a.end != nil {
				return
			}
		}
	}()
	return out
}

// handed gives a reading on, and says whether somebody still waits for it. Mostly there is room for it, and to ask for that alone is quicker.
func handed(ctx context.Context, out chan<- arrival, a arrival) bool {
	select {
	case out <- a:
		return true
	default:
	}
	select {
	case out <- a:
		return true
	case <-ctx.Done():
		return false
	}
}

// arrived takes the next reading; a panic over it ends the stream and not the process, as nobody above this goroutine would catch it.
func arrived(receive func() (*performancev1.StreamReadingsRequest, error)) (a arrival) {
	defer func() {
		if p := recover(); p != nil {
			a.end = fmt.Errorf("panic over a reading of a stream: %v\n%s", p, debug.Stack())
		}
	}()
	if a.StreamReadingsRequest, a.end = receive(); a.end == nil {
		resource.ClearOutputOnly(a.GetReading())
		a.wrong = canonical(a.GetReading())
	}
	return a
}

// lot is a batch of a stream on its way into the store.
type lot struct {
	reqs    []arrival
	sorted  []outcome // what is known before it is written
	rows    resource.Rows
	good    []*performancev1.Reading // that are not refused, as they stand in rows
	at      []int                    // where each good one stands in reqs
	made    time.Time
	written chan error
	came    []outcome // of reqs, once it is written
}

// drain reads the stream to its end, batch by batch. What it began to write is written when it returns.
func (in *inflow) drain(ctx context.Context, receive func() (*performancev1.StreamReadingsRequest, error)) error {
	reading, stop := context.WithCancel(context.WithoutCancel(ctx)) // receive itself ends with the stream
	defer stop()
	for a := range arrivals(reading, receive) {
		if a.end != nil {
			flushed := in.flush(context.WithoutCancel(ctx))
			if errors.Is(a.end, io.EOF) {
				a.end = nil
			}
			return errors.Join(a.end, flushed, in.land(nil))
		}
		if in.waiting = append(in.waiting, a); len(in.waiting) >= in.enough() {
			if err := in.flush(ctx); err != nil {
				return errors.Join(err, in.land(nil))
			}
		}
	}
	return in.land(nil)
}

// outcome is what became of one reading.
type outcome struct {
	engine  string
	known   bool
	refusal *fault.Error
}

// flush makes the waiting readings ready while those before them are being written, and then begins to write them.
func (in *inflow) flush(ctx context.Context) error {
	if len(in.waiting) == 0 {
		return nil
	}
	next, err := in.ready(ctx)
	if err != nil {
		clear(in.drafts) // which foresaw what does not happen
		return err
	}
	in.begun++
	return in.land(func() { in.app.write(ctx, next); in.writing = next })
}

// land waits until the batch under way is durable, lets the next one begin, and counts. A batch never begins before the one before
// it is durable, and never after one that failed.
func (in *inflow) land(begin func()) error {
	landed := in.writing
	in.writing = nil
	if landed != nil {
		if err := <-landed.written; err != nil {
			clear(in.drafts) // which foresaw what did not happen
			return err
		}
	}
	if begin != nil {
		begin()
	}
	if landed == nil {
		return nil
	}
	for i, o := range landed.came {
		if landed.sorted[i].refusal == nil && (o.known || o.refusal != nil) {
			in.drafts[o.engine] = nil
		}
		in.count(landed.reqs[i], o)
	}
	return nil
}

// ready takes the waiting readings as a batch that has only to be written.
func (in *inflow) ready(ctx context.Context) (*lot, error) {
	if err := in.meet(ctx); err != nil {
		return nil, err
	}
	sorted, err := in.sort()
	if err != nil {
		return nil, err
	}
	if err := in.draft(ctx, sorted); err != nil {
		return nil, err
	}
	l := &lot{reqs: in.waiting, sorted: sorted, made: in.app.Clock.Now(), written: make(chan error, 1)}
	in.waiting = make([]arrival, 0, batch)
	for i, req := range l.reqs {
		if sorted[i].refusal == nil {
			l.good, l.at = append(l.good, req.GetReading()), append(l.at, i)
		}
	}
	l.rows, err = store.Readings.Rows(l.good, l.made)
	return l, err
}

// write makes a batch durable in one transaction, beside the caller.
func (a *App) write(ctx context.Context, l *lot) {
	go func() {
		l.written <- a.DB.Update(ctx, func(ctx context.Context, tx *storage.Tx) (err error) {
			l.came, err = a.unit(ctx, tx).flow(ctx, l)
			return err
		})
	}()
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

// flow keeps the readings of a batch that are not refused, with few statements, and says what became of each.
func (u unit) flow(ctx context.Context, l *lot) ([]outcome, error) {
	outcomes := slices.Clone(l.sorted)
	added, err := store.Readings.InsertAll(ctx, u.Tx, l.rows)
	if err != nil {
		return nil, err
	}
	fresh := map[string]bool{}
	for k, i := range l.at {
		if added[k] {
			fresh[outcomes[i].engine] = true
			continue
		}
		outcomes[i].known, err = u.knows(ctx, l.good[k])
		if f, refused := refusal(err); refused {
			outcomes[i].refusal = f
		} else if err != nil {
			return nil, err
		}
	}
	for _, engine := range slices.Sorted(maps.Keys(fresh)) {
		if err := store.Pend(ctx, u.Tx, engine, l.made); err != nil {
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
