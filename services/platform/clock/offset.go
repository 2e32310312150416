package clock

import (
	"sync/atomic"
	"time"
)

// Offset is the machine's clock moved by a distance that can be changed while it runs: the demonstration uses it to live
// through eighteen months, and tests use it where real timers must go on.
type Offset struct {
	by atomic.Int64
}

// Now is the machine's time plus the offset.
func (o *Offset) Now() time.Time { return System().Now().Add(time.Duration(o.by.Load())) }

// After waits in real time.
func (o *Offset) After(d time.Duration) <-chan time.Time { return time.After(d) }

// Set makes the clock show t now.
func (o *Offset) Set(t time.Time) { o.by.Store(int64(t.Sub(System().Now()))) }
