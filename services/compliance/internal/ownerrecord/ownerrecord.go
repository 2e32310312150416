// Package ownerrecord says when a release must stand in the owner's record. The rules are the regime's; off wing, where no regime is
// known, all of them hold.
package ownerrecord

import "coldsection.example/services/compliance/internal/civil"

// daysEASA is how many days after the release it must be in the continuing-airworthiness record at the latest (M.A.305(a)).
const daysEASA = 30

// Duty is when a release must be entered.
type Duty struct {
	Latest       civil.Date // the last day in time; zero where the rules set no number of days
	BeforeFlight bool       // before the next flight
	Rules        []string   // each with its paragraph
}

// Of is the duty for a release on a civil day, under United States rules, under European ones (or those of the United Kingdom, which are worded alike), or both.
func Of(released civil.Date, faa, easa bool) (d Duty) {
	if faa {
		d.BeforeFlight = true
		d.Rules = append(d.Rules, "14 CFR 91.407(a)(2), 43.5(a): the entry is made before the aircraft is operated")
	}
	if easa {
		d.Latest = released.AddDays(daysEASA)
		d.Rules = append(d.Rules, "M.A.305(a): entered as soon as practicable, and no later than 30 days")
	}
	return d
}

// InTime reports whether an entry on a civil day is in time; on the last day it is.
func (d Duty) InTime(entered civil.Date) bool {
	return !entered.IsZero() && (d.Latest.IsZero() || !d.Latest.Before(entered))
}

// Stops is what keeps an aircraft from being operated on a civil day while the entry is not made: Missing or Late; empty for nothing.
func (d Duty) Stops(today civil.Date) string {
	switch {
	case d.BeforeFlight:
		return Missing
	case !d.Latest.IsZero() && d.Latest.Before(today):
		return Late
	default:
		return ""
	}
}

// Why an aircraft is not operated while a release is not entered.
const (
	Missing = "RECORD_ENTRY_MISSING"
	Late    = "RECORD_ENTRY_LATE"
)
