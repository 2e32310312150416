// Package killpoint ends the process at named points of the code, so that tests see what a crash right there leaves behind: nothing is
// flushed, answered or released, as when the machine dies.
//
// Only a program that was linked for it does so:
//
//	go build -ldflags "-X coldsection.example/services/platform/killpoint.armed=yes" ./services/cmd/coldsection
//
// Such a program reads the variable KILL_AT, such as "relay.published=3": it ends when it passes that point for the third time. In every
// other program a point costs a comparison.
package killpoint

import (
	"os"
	"strconv"
	"strings"
	"sync/atomic"
	"syscall"
)

// Variable names the environment variable that says where an armed program ends.
const Variable = "KILL_AT"

// The points, in the order in which a fact passes them.
const (
	StoreWritten     = "store.written"     // all statements of a transaction ran, and it is not committed
	StoreCommitted   = "store.committed"   // it is durable, and nobody was answered
	RelayClaimed     = "relay.claimed"     // facts were read from the outbox, and none of them was published
	RelayPublished   = "relay.published"   // the stream has them, and they are not marked as sent
	ConsumerOffered  = "consumer.offered"  // a fact came from the stream, and nothing was done
	ConsumerHandled  = "consumer.handled"  // its handler returned an effect, which did not happen yet
	ConsumerApplied  = "consumer.applied"  // the effect is committed, and the stream does not know
	ConsumerAcked    = "consumer.acked"    // the stream knows
	OperationClaimed = "operation.claimed" // a part of a long operation is in hand
	OperationWorked  = "operation.worked"  // the part is done, and not committed
)

// Points are all points that any program of the suite passes as it lives through the main job.
func Points() []string {
	return []string{
		StoreWritten, StoreCommitted, RelayClaimed, RelayPublished, ConsumerOffered, ConsumerHandled, ConsumerApplied, ConsumerAcked,
	}
}

// armed is set by the linker.
var armed string

var (
	point, times = target(os.Getenv(Variable))
	passed       atomic.Int64
)

// target reads "point=3"; a text that is not so names no point.
func target(text string) (point string, times int64) {
	point, number, _ := strings.Cut(text, "=")
	times, err := strconv.ParseInt(number, 10, 64)
	if err != nil {
		return "", 0
	}
	return point, times
}

// At ends an armed process that passes this point for the last time. What it is about, such as the type of a fact and who takes it, can be
// named with the point, after spaces: only those passes count then.
func At(name string, about ...string) {
	if armed == "" || point != name && point != strings.Join(append([]string{name}, about...), " ") || passed.Add(1) != times {
		return
	}
	_ = syscall.Kill(os.Getpid(), syscall.SIGKILL)
	select {} // the signal is on its way
}
