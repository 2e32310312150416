// Package airspeed tells of a reading without an airspeed whether it may be taken as one of an engine at rest, at 0 kt. One from the cruise
// that is corrected as if it stood still is off by up to 12 °C of ITT, and nothing would show it. The package only calculates.
package airspeed

import (
	"strings"
	"unicode"
)

// Pressure altitudes [m].
const (
	// highest is above every aerodrome on any day: the highest lies at 4,411 m (Daocheng Yading; from memory), and low pressure
	// adds up to some 300 m.
	highest = 4711.0
	// usual is above most aerodromes and below most cruises: 10,000 ft. Common practice, no source.
	usual = 3048.0
)

// AtRest says whether a reading of this phase, as its log names it, and this pressure altitude [m] may be one at 0 kt.
func AtRest(phase string, altitude float64) bool {
	switch words := wordsOf(phase); {
	case !(altitude <= highest):
		return false
	case names(words, onGround):
		return true
	case names(words, inFlight):
		return false
	case names(words, maybe):
		return true
	default:
		return altitude <= usual
	}
}

// Believed says whether an airspeed of exactly 0 that was entered for a phase can be true: tables write 0 for what nobody read. A
// hover, a climb and a descent may be at 0 kt, the cruise may not.
func Believed(phase string, altitude float64) bool {
	words := wordsOf(phase)
	return altitude <= highest && (names(words, onGround) || !names(words, cruising))
}

// What words of a phase begin with. Those of the ground count before those of flight, as in "ground run at cruise power", and those of flight
// before those of an engine that may still stand, as in "climb after take-off". A flight idle may be either.
var (
	onGround = []string{"ground", "gnd", "taxi", "static", "parked", "test cell", "test bench", "test stand", "run up", "runup", "engine run", "motoring"}
	cruising = []string{"cruis", "crz", "en route", "enroute"}
	inFlight = append([]string{"climb", "clb", "descen", "des ", "approach", "app ", "level", "in flight", "inflight", "airborne", "holding", "loiter"}, cruising...)
	maybe    = []string{"take off", "takeoff", "start", "hover"}
)

// wordsOf is a phase in small letters, each word between single spaces.
func wordsOf(phase string) string {
	return " " + strings.Join(strings.FieldsFunc(strings.ToLower(phase), func(r rune) bool { return !unicode.IsLetter(r) }), " ") + " "
}

func names(words string, beginnings []string) bool {
	for _, b := range beginnings {
		if strings.Contains(words, " "+b) {
			return true
		}
	}
	return false
}
