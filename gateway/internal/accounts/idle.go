package accounts

import (
	"context"
	"math"
	"strings"
	"time"

	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/storage"
)

// A session that nobody uses ends: a device that somebody left in the hangar is nobody's after a while. Its uses are noted a tenth of its idle life
// apart, not at each call, so it lives for its idle life at least and a tenth longer at most.

// unattended marks calls before which nobody sits.
type unattended struct{}

// Unattended is a context whose calls keep no session alive, such as those that a page makes by itself.
func Unattended(ctx context.Context) context.Context {
	return context.WithValue(ctx, unattended{}, true)
}

// lag is how far apart the uses of a session are noted.
func (s *Store) lag() time.Duration { return s.IdleLife / 10 }

// use says until when a session lives that was last used at a time, and from when on a use is to be noted. A session of before uses were noted, 0,
// has its use noted at once. Times are Unix microseconds.
func (s *Store) use(last, expires int64) (until, noteAt int64) {
	switch {
	case s.IdleLife == 0:
		return expires, math.MaxInt64
	case last == 0:
		return expires, 0
	default:
		return min(expires, last+(s.IdleLife+s.lag()).Microseconds()), last + s.lag().Microseconds()
	}
}

// idleSince is when the sessions that end at a time were last used; without an idle life none ends.
func (s *Store) idleSince(now int64) int64 {
	if s.IdleLife == 0 {
		return 0
	}
	return now - (s.IdleLife + s.lag()).Microseconds()
}

// inUse refuses a session that nobody used for too long. Reason: SESSION_IDLE.
func (s *Store) inUse(until, now int64) error {
	if until > now {
		return nil
	}
	return fault.New(fault.Unauthenticated, "SESSION_IDLE", "Nobody used this session for %s, so it ended. Sign in again; nothing that was sent is lost.", plainly(s.IdleLife))
}

// plainly says a duration without the parts that are nothing, such as 2h.
func plainly(d time.Duration) string {
	text := d.String()
	for _, nothing := range []string{"m0s", "h0m"} {
		if strings.HasSuffix(text, nothing) {
			text = text[:len(text)-2]
		}
	}
	return text
}

// noteUse writes down that a session is used. One that can't be noted now is at the next call; until then the session only ends sooner.
func (s *Store) noteUse(ctx context.Context, hash string) {
	now := storage.Micros(s.Clock.Now())
	_ = s.DB.Update(ctx, func(ctx context.Context, tx *storage.Tx) error {
		_, err := tx.Exec(ctx, "UPDATE sessions SET use_time = $1 WHERE token_hash = $2 AND use_time < $1", now, hash)
		return err
	})
}
