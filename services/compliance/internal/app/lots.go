package app

import (
	"context"
	"errors"
	"fmt"
	"maps"
	"runtime"
	"slices"
	"sync"
	"sync/atomic"

	"coldsection.example/services/compliance/internal/points"
	"coldsection.example/services/compliance/internal/store"
	"coldsection.example/services/platform/storage"
)

// job is what is to be worked out of subjects.
type job struct {
	kept           map[string][]byte // what is kept of them, by name, as bytes
	ruleset        string            // which requirements there are, as rulesOf tells
	only           names             // the requirements that it is narrowed to; none stand for all
	accomplishment string            // the record that moved an item, if one did
	rooms          *rooms            // of the subjects that are written; nil makes new ones
	dates          map[string]string // of rows that say all else that their items do, by name; written at the end
}

// rooms are places for the items of a subject, used again and again: of a fleet, they would be half of all memory that is taken and given back.
type rooms struct {
	mu   sync.Mutex
	free [][]points.Point
}

// take is a place without items.
func (r *rooms) take() []points.Point {
	if r == nil {
		return nil
	}
	r.mu.Lock()
	defer r.mu.Unlock()
	n := len(r.free)
	if n == 0 {
		return nil
	}
	place := r.free[n-1][:0]
	r.free = r.free[:n-1]
	return place
}

// give takes back a place whose items nobody needs any more.
func (r *rooms) give(places ...[]points.Point) {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.free = append(r.free, places...)
}

// atOnce is how many subjects are read, weighed and written together. While some are weighed, the next are read and the last are written.
const atOnce = 16

// recomputeThese works out subjects in lots. What is kept of a subject is locked before anything is read, so that two who change one subject
// wait for each other and neither works out what the other changed meanwhile.
func (u unit) recomputeThese(ctx context.Context, subjects []string, only names, accomplishment string) error {
	all := slices.Sorted(slices.Values(subjects))
	j := job{ruleset: u.book.ruleset, only: only, accomplishment: accomplishment, rooms: &rooms{}, dates: map[string]string{}}
	for some := range slices.Chunk(slices.Compact(all), store.Many) {
		var err error
		if j.kept, err = store.LockPoints(ctx, u.Tx, some); err != nil {
			return err
		}
		if u, err = u.withFacts(ctx, some); err != nil {
			return err
		}
		if err := u.recomputeLots(ctx, some, j); err != nil {
			return err
		}
	}
	return store.MoveDates(ctx, u.Tx, j.dates)
}

// ahead is how many lots are read before the first of them is written, so that whoever weighs seldom waits for what is read or written.
const ahead = 3

// recomputeLots works out subjects of which everything but the many rows was read.
func (u unit) recomputeLots(ctx context.Context, subjects []string, j job) (err error) {
	others := min(len(subjects), runtime.GOMAXPROCS(0)) - 1
	waiting := make(chan *lot, ahead*others)
	defer close(waiting)
	for range others {
		go weighBeside(ctx, waiting)
	}
	var begun lots
	for some := range slices.Chunk(subjects, atOnce) {
		next, err := u.lot(ctx, some, j)
		if err != nil {
			begun.leave()
			return err
		}
		next.helpers.Add(others)
		for range others {
			waiting <- next
		}
		if begun = append(begun, next); len(begun) < ahead {
			continue
		}
		if begun, err = begun.settle(ctx); err != nil {
			return err
		}
	}
	for len(begun) > 0 && err == nil {
		begun, err = begun.settle(ctx)
	}
	return err
}

// weighBeside weighs what nobody does yet, on another core than the transaction.
func weighBeside(ctx context.Context, waiting <-chan *lot) {
	for l := range waiting {
		u := l.unit
		u.Tx = storage.Aside(u.Engine(), errAside)
		for i, ok := l.take(); ok; i, ok = l.take() {
			l.found[i] = l.carefully(ctx, u, l.subjects[i])
		}
		l.helpers.Done()
	}
}

// lots are those that were begun, in their order.
type lots []*lot

// settle settles the first, and gives up the others when that fails.
func (all lots) settle(ctx context.Context) (lots, error) {
	err := all[0].settle(ctx)
	if err != nil {
		all[1:].leave()
	}
	return all[1:], err
}

func (all lots) leave() {
	for _, l := range all {
		l.leave()
	}
}

// lot is some subjects with what was read of them.
type lot struct {
	unit
	job

	subjects []string
	found    []found
	taken    atomic.Int64 // how many of them somebody began to weigh
	helpers  sync.WaitGroup
}

// lot reads the rows of some subjects.
func (u unit) lot(ctx context.Context, subjects []string, j job) (*lot, error) {
	u, err := u.withRows(ctx, subjects, j.unsure(subjects), j.only)
	return &lot{unit: u, job: j, subjects: subjects, found: make([]found, len(subjects))}, err
}

// errAside is what the store says to those who weigh beside the transaction: the subject is left to the transaction.
var errAside = errors.New("what is weighed beside the transaction needs the store")

// take is the place of a subject that nobody weighs yet.
func (l *lot) take() (int, bool) {
	i := int(l.taken.Add(1)) - 1
	return i, i < len(l.subjects)
}

// carefully leaves to the transaction also what fails badly, for the same to happen where it is caught.
func (l *lot) carefully(ctx context.Context, u unit, subject string) (f found) {
	defer func() {
		if failed := recover(); failed != nil {
			f.err = fmt.Errorf("%w: %v", errAside, failed)
		}
	}()
	return u.find(ctx, subject, l.job)
}

// leave gives up what nobody weighs yet, and waits for the rest.
func (l *lot) leave() {
	l.taken.Store(int64(len(l.subjects)))
	l.helpers.Wait()
}

// settle weighs what nobody does yet, and writes what came of all, in their order.
func (l *lot) settle(ctx context.Context) error {
	for i, ok := l.take(); ok; i, ok = l.take() {
		l.found[i] = l.unit.find(ctx, l.subjects[i], l.job)
	}
	l.helpers.Wait()
	for i, subject := range l.subjects {
		f := l.found[i]
		if errors.Is(f.err, errAside) {
			f = l.unit.find(ctx, subject, l.job)
		}
		if f.err == nil {
			f.err = f.save(ctx, l.Tx)
		}
		if f.err != nil {
			return fmt.Errorf("what is due on %s: %w", subject, f.err)
		}
		maps.Copy(l.dates, f.moved)
		l.rooms.give(f.old.Items, f.points.Items)
		l.found[i] = found{}
	}
	return nil
}

// say reports whether the points of a subject say what its rows say: they were worked out from the same requirements, and no record is going to
// move an item, of which the row is told.
func (j job) say(subject string) bool {
	return j.accomplishment == "" && points.RulesOf(j.kept[subject]) == j.ruleset
}

// unsure are the subjects of which the rows have to be read to know what they say.
func (j job) unsure(subjects []string) (all []string) {
	for _, name := range subjects {
		if !j.say(name) {
			all = append(all, name)
		}
	}
	return all
}
