package due

import "coldsection.example/services/compliance/internal/civil"

// Standing is where a requirement is in its life on a day, before anything is counted.
type Standing string

// The standings; only Open and Recurring have something due.
const (
	Superseded Standing = "SUPERSEDED"
	NotYet     Standing = "NOT_YET_EFFECTIVE"
	Terminated Standing = "TERMINATED"
	Complied   Standing = "COMPLIED"
	Open       Standing = "OPEN"
	Recurring  Standing = "RECURRING"
)

// Life is what decides the standing of a requirement on one subject.
type Life struct {
	Effective  civil.Date // first day that it applies; zero when always
	Replaced   bool       // another requirement takes its place
	ReplacedOn civil.Date // the first day of the other one; zero when at once
	Terminated bool       // a terminating action was done
	Done       bool       // it was done at least once
	Repeats    bool
}

// On is the standing on a day. What was done before stays on record whatever the standing is.
func (l Life) On(day civil.Date) Standing {
	switch {
	case l.Replaced && (l.ReplacedOn.IsZero() || !day.Before(l.ReplacedOn)):
		return Superseded
	case !l.Effective.IsZero() && day.Before(l.Effective):
		return NotYet
	case l.Terminated:
		return Terminated
	case l.Done && l.Repeats:
		return Recurring
	case l.Done:
		return Complied
	default:
		return Open
	}
}
