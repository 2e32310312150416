package accounts

import (
	"slices"
	"sync"

	"coldsection.example/services/platform/auth"
)

// most bounds how many callers are remembered.
const most = 10_000

// caller is whose token was read.
type caller struct {
	id    auth.Identity
	csrf  string
	until int64 // when the token ends
	// noteAt is when a use of the session is to be noted again; never for a key.
	noteAt int64
}

// recent remembers whose tokens were read since the database last changed, however little: after any change, also of another
// account, everybody is read anew. So a session that was ended, a key that was revoked and a role that was taken away are gone
// with the answer to the call that did it. It is used only where no other process changes the database.
type recent struct {
	mu      sync.Mutex
	changes uint64 // of the database when these were read
	callers map[string]caller
}

// find is the caller with this hash, if nothing changed since it was read and the token has not ended.
func (r *recent) find(hash string, changes uint64, now int64) (caller, bool) {
	r.mu.Lock()
	defer r.mu.Unlock()
	c, ok := r.callers[hash]
	if !ok || r.changes != changes || c.until <= now {
		return caller{}, false
	}
	return c.copied(), true
}

// copied is the same caller with lists of its own.
func (c caller) copied() caller {
	c.id.Roles, c.id.Owners, c.id.Scopes = slices.Clone(c.id.Roles), slices.Clone(c.id.Owners), slices.Clone(c.id.Scopes)
	return c
}

// keep remembers a caller who was read when the database had changed so often.
func (r *recent) keep(hash string, changes uint64, c caller) {
	r.mu.Lock()
	defer r.mu.Unlock()
	if r.changes > changes {
		return // a later reading is kept
	}
	if r.changes < changes || r.callers == nil || len(r.callers) >= most {
		r.changes, r.callers = changes, map[string]caller{}
	}
	r.callers[hash] = c.copied()
}
