package quantity

import (
	"regexp"
	"strings"

	"coldsection.example/services/platform/fault"
)

// couldBeThousands is a number whose comma some read as the decimal mark and others as one of thousands.
var couldBeThousands = regexp.MustCompile(`^[+-]?[1-9][0-9]{0,2},[0-9]{3}$`)

// Typed reads what a person typed from an instrument: as Parse, with a decimal comma too. Where the comma could as well group thousands nobody
// guesses, because the two readings are a thousand times apart. Reasons: VALUE_AMBIGUOUS, VALUE_NOT_A_NUMBER, UNIT_UNKNOWN.
func Typed(text, unitCode string) (Quantity, error) {
	if strings.IndexByte(text, ',') < 0 {
		return Parse(text, unitCode)
	}
	if couldBeThousands.MatchString(text) {
		return Quantity{}, fault.Invalid("value", "VALUE_AMBIGUOUS", "%.40q could be %s or %s. Give the one that is meant, with a point or without a mark.",
			text, strings.Replace(text, ",", ".", 1), strings.Replace(text, ",", "", 1))
	}
	return Parse(strings.Replace(text, ",", ".", 1), unitCode)
}
