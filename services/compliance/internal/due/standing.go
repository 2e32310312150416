package due

import (
	"slices"
	"strconv"
	"strings"

	"coldsection.example/services/compliance/internal/civil"
)

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

// Serials is a range of serial numbers, both ends within.
type Serials struct {
	First, Last string
	Excluded    bool
}

// Item is a serial-numbered thing, as far as applicability goes.
type Item struct {
	Model, Name, Aircraft, Serial string
	Embodied                      []string // modifications and part numbers
}

// Applies is what a requirement applies to; an empty list does not limit.
type Applies struct {
	Models, Names, Aircraft   []string
	EmbodiedAny, EmbodiedNone []string
	Serials                   []Serials
}

// To decides by model, name, configuration and serial number, and says why not.
func (a Applies) To(i Item) (bool, string) {
	embodied := func(m string) bool { return slices.Contains(i.Embodied, m) }
	switch {
	case limits(a.Models, i.Model):
		return false, "It is for other engine models."
	case limits(a.Names, i.Name):
		return false, "It is for other engines."
	case limits(a.Aircraft, i.Aircraft):
		return false, "It is for other aircraft."
	case len(a.EmbodiedAny) > 0 && !slices.ContainsFunc(a.EmbodiedAny, embodied):
		return false, "None of the modifications that it is for is embodied."
	case slices.ContainsFunc(a.EmbodiedNone, embodied):
		return false, "A modification that ends it is embodied."
	}
	return InSerials(a.Serials, i.Serial)
}

func limits(list []string, one string) bool { return len(list) > 0 && !slices.Contains(list, one) }

// InSerials decides whether a serial number is within ranges and says why not; without ranges every one is.
func InSerials(ranges []Serials, serial string) (bool, string) {
	in, limited := false, false
	for _, r := range ranges {
		within := !serialBefore(serial, r.First) && !serialBefore(r.Last, serial)
		if r.Excluded && within {
			return false, "Its serial number is excepted."
		}
		if !r.Excluded {
			limited, in = true, in || within
		}
	}
	if limited && !in {
		return false, "It is for other serial numbers."
	}
	return true, ""
}

// serialBefore compares the numbers at the end when the letters before them are the same, so that 999 comes before 1001.
func serialBefore(a, b string) bool {
	headA, numberA, okA := splitSerial(a)
	headB, numberB, okB := splitSerial(b)
	if okA && okB && headA == headB {
		return numberA < numberB
	}
	return a < b
}

func splitSerial(s string) (string, uint64, bool) {
	head := strings.TrimRight(s, "0123456789")
	n, err := strconv.ParseUint(s[len(head):], 10, 64)
	return head, n, err == nil
}
