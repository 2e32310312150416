// Package ids makes resource ids: lower-case UUIDv7 text (RFC 9562), which sorts roughly by time of creation.
package ids

import (
	"fmt"
	"sync/atomic"

	"github.com/google/uuid"
)

// Source makes ids that are never reused.
type Source interface {
	New() string
}

// System returns the source of random, time-ordered ids.
func System() Source { return system{} }

type system struct{}

// New panics only when the machine has no randomness, in which case nothing else is safe either.
func (system) New() string { return uuid.Must(uuid.NewV7()).String() }

// Sequence is a source of predictable ids for tests: prefix-1, prefix-2 and so on.
type Sequence struct {
	Prefix string
	n      atomic.Int64
}

// New returns the next id.
func (s *Sequence) New() string { return fmt.Sprintf("%s-%d", s.Prefix, s.n.Add(1)) }
