package storage

import (
	"cmp"
	"context"
	"errors"
	"slices"
	"sync"
	"time"
)

// maxCrowd is how many bodies share a transaction at most, and maxCrowds how many such groups are under way at once: one is on its way to the
// disk while the other gathers.
const (
	maxCrowd  = 64
	maxCrowds = 2
)

// crowd runs bodies that say which things they hold in one transaction while they hold different ones: they run side by side, and what
// they wait for goes to the store together, so that many pay for a few statements and one commit. One that fails after it wrote anything
// fails the group; it is run again by itself, and so are the others, without it.
type crowd struct {
	db      *DB
	mu      sync.Mutex
	waiting []*member
	held    map[string]bool // what the groups under way hold
	groups  int             // how many are under way
}

// do runs a body with whoever else waits, in the goroutine that asks for it. Once it is under way, the answer is awaited even when ctx ends.
func (c *crowd) do(ctx context.Context, holds []string, fn Func) error {
	m := &member{ctx: ctx, fn: fn, engine: c.db.engine, holds: holds, turn: make(chan chan<- *member, 1), wake: make(chan struct{}, 1), result: make(chan error, 1)}
	c.mu.Lock()
	c.waiting = append(c.waiting, m)
	c.mu.Unlock()
	c.start()
	gone := ctx.Done()
	for {
		select {
		case paused := <-m.turn:
			m.run(paused)
		case err := <-m.result:
			return c.settled(ctx, m, err)
		case <-gone:
			if c.leave(m) {
				return ctx.Err()
			}
			gone = nil
		}
	}
}

// settled runs a body by itself that the group could not keep.
func (c *crowd) settled(ctx context.Context, m *member, err error) error {
	if errors.Is(err, errAlone) {
		return c.db.UpdateUncounted(ctx, m.fn)
	}
	return err
}

// leave takes a member out that nobody began to run.
func (c *crowd) leave(m *member) bool {
	c.mu.Lock()
	defer c.mu.Unlock()
	i := slices.Index(c.waiting, m)
	if i >= 0 {
		c.waiting = slices.Delete(c.waiting, i, i+1)
	}
	return i >= 0
}

// start lets a group run when one may and somebody waits whose things nobody holds.
func (c *crowd) start() {
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.groups == maxCrowds {
		return
	}
	var group, rest []*member
	for _, m := range c.waiting {
		if len(group) == maxCrowd || slices.ContainsFunc(m.holds, func(h string) bool { return c.held[h] }) {
			rest = append(rest, m)
			continue
		}
		for _, h := range m.holds {
			c.held[h] = true
		}
		group = append(group, m)
	}
	if c.waiting = rest; len(group) > 0 {
		c.groups++
		go c.run(group)
	}
}

// run runs a group, answers it, and lets the next begin.
func (c *crowd) run(group []*member) {
	// In one order everywhere, so that the groups of two processes never wait for each other's rows.
	slices.SortStableFunc(group, func(a, b *member) int { return slices.Compare(a.holds, b.holds) })
	c.db.together(group)
	c.mu.Lock()
	c.groups--
	for _, m := range group {
		for _, h := range m.holds {
			delete(c.held, h)
		}
	}
	c.mu.Unlock()
	c.start()
	for _, m := range group {
		if m.verdict == nil {
			m.verdict = m.tx.committed()
		}
		m.result <- m.verdict
	}
}

// together runs a group in one transaction; when that fails for a member of it, once more without those that failed.
func (db *DB) together(group []*member) {
	err := db.attempt(group)
	if errors.Is(err, errAlone) {
		rest := slices.DeleteFunc(slices.Clone(group), func(m *member) bool { return errors.Is(m.verdict, errAlone) })
		if err = db.attempt(rest); errors.Is(err, errAlone) {
			for _, m := range rest {
				m.verdict = errAlone
			}
			return
		}
		group = rest
	}
	for _, m := range group {
		m.verdict = cmp.Or(m.verdict, err)
	}
}

// attempt runs a group in one transaction. Its error is errAlone when some of the group must run by themselves, whose verdict says so, or
// why nothing was kept.
func (db *DB) attempt(group []*member) error {
	if len(group) == 0 {
		return nil
	}
	ctx, cancel := lasting(group)
	defer cancel()
	if db.writer != nil {
		return db.writer.do(ctx, func(ctx context.Context, tx *Tx) error {
			on, _ := tx.s.(*direct) // the writer's session
			return conduct(ctx, &shared{on: on}, group)
		})
	}
	return db.attemptPostgres(ctx, group)
}

// byIndex makes the rest of a transaction look each row up by its index: a group names a few dozen rows of tables that may be large, and the
// planner, which knows neither while the table is young, would read the table instead. It plans once for groups of all sizes.
const byIndex = `SELECT set_config('enable_hashjoin', 'off', true), set_config('enable_mergejoin', 'off', true),
	set_config('enable_seqscan', 'off', true), set_config('plan_cache_mode', 'force_generic_plan', true)`

func (db *DB) attemptPostgres(ctx context.Context, group []*member) error {
	return db.pipelined(ctx, func(p *pipeline) error {
		p.keep(outcome{}, byIndex, nil)
		return conduct(ctx, p, group)
	}, func() error { return nil })
}

// common is the transaction that a group shares.
type common interface {
	keepFor(m forMany)
	flush(ctx context.Context) error  // does all that is kept
	finish(ctx context.Context) error // the same, when nothing follows
	failer() *member                  // whose statement failed, if it was somebody's
}

// lasting is a context that ends with the last of the group's; one that goes away takes no neighbour along.
func lasting(group []*member) (context.Context, context.CancelFunc) {
	ctx := context.WithoutCancel(group[0].ctx)
	var last time.Time
	for _, m := range group {
		end, ok := m.ctx.Deadline()
		if !ok {
			return context.WithCancel(ctx)
		}
		if end.After(last) {
			last = end
		}
	}
	return context.WithDeadline(ctx, last)
}

// conduct lets the bodies run to where each waits for the store, does what they wait for, and so on to the end of all.
func conduct(ctx context.Context, c common, group []*member) error {
	paused := make(chan *member, len(group))
	for _, m := range group {
		m.turn <- paused
	}
	for running := group; len(running) > 0; {
		for range running {
			<-paused
		}
		running = slices.DeleteFunc(slices.Clone(running), func(m *member) bool { return m.over })
		err := take(c, group)
		if err == nil && len(running) > 0 {
			err = c.flush(ctx)
		}
		for _, m := range running {
			m.broken = err
			m.wake <- struct{}{}
		}
		if err != nil {
			for range running {
				<-paused
			}
			return blame(group, c.failer(), err)
		}
	}
	if err := c.finish(ctx); err != nil {
		return blame(group, c.failer(), err)
	}
	return nil
}

// take keeps what the group waits for: what each asks first before what each asks next, so that all rows of a kind are locked in the
// group's order.
func take(c common, group []*member) error {
	if slices.ContainsFunc(group, (*member).unkept) {
		return errAlone
	}
	all := make([]*statementOf, 0, usual*len(group))
	for i, more := 0, true; more; i++ {
		before := len(all)
		for _, m := range group {
			if i < len(m.kept) {
				all = append(all, m.kept[i])
			}
		}
		more = len(all) > before
	}
	for _, m := range gatherAlike(all, len(group)) {
		c.keepFor(m)
	}
	for _, m := range group {
		m.wrote = m.wrote || slices.ContainsFunc(m.kept, writes)
		m.kept = m.kept[:0]
	}
	return nil
}

// blame says of a failed group who runs alone: whoever failed it, or everybody when that is nobody's fault and may go better.
func blame(group []*member, culprit *member, err error) error {
	known := culprit != nil || slices.ContainsFunc(group, (*member).unkept)
	if !known && !isRace(err) && !errors.Is(err, errMixed) {
		return err
	}
	for _, m := range group {
		if !known || m == culprit || m.unkept() {
			m.verdict = errAlone
		}
	}
	return errAlone
}
