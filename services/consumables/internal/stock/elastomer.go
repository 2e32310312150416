package stock

import (
	"strconv"
	"time"

	"coldsection.example/services/platform/fault"
)

// cureYears are shelf lives of seals by elastomer, counted from the end of the cure quarter (public summaries of SAE AS5316,
// formerly ARP5316); 0 keeps for ever, in storage as it wants it. Summaries disagree on SBR, so it is not here: the owner's
// approved value decides.
var cureYears = map[string]int{
	"NBR": 15, "CR": 15, "HNBR": 15, "AU": 5, "EU": 5, "AU/EU": 5, "FKM": 0, "EPM": 0, "EPDM": 0, "EPM/EPDM": 0, "VMQ": 0, "FVMQ": 0, "FFKM": 0, "IIR": 0,
}

// CureLife is the last usable day of a seal, counted from the last day of its cure quarter, such as 2Q26. Months, when not 0,
// are the owner's approved life and take the place of the table's. A seal without a limit has no last day. Reasons:
// ELASTOMER_LIFE_UNKNOWN, CURE_QUARTER_INVALID.
func CureLife(elastomer, quarter string, months int) (last string, unlimited bool, err error) {
	years, known := cureYears[elastomer]
	switch {
	case months > 0:
	case !known:
		return "", false, fault.Precondition("ELASTOMER_LIFE_UNKNOWN",
			"The shelf life of %q is not agreed on in public (SBR: 3 and 15 years are printed). Enter the owner's approved life on the item.", elastomer)
	case years == 0:
		return "", true, nil
	default:
		months = 12 * years
	}
	end, err := endOfQuarter(quarter)
	if err != nil {
		return "", false, err
	}
	return addMonths(end, months).Format(time.DateOnly), false, nil
}

// endOfQuarter is the last day of a cure quarter; two-digit years are those of this century up to 79.
func endOfQuarter(code string) (time.Time, error) {
	if len(code) == 4 && code[0] >= '1' && code[0] <= '4' && code[1] == 'Q' {
		if year, err := strconv.ParseUint(code[2:], 10, 8); err == nil {
			century := 2000
			if year >= 80 {
				century = 1900
			}
			return time.Date(century+int(year), time.Month(3*(code[0]-'0')+1), 0, 0, 0, 0, 0, time.UTC), nil
		}
	}
	return time.Time{}, fault.Invalid("lot.cure_quarter", "CURE_QUARTER_INVALID", "%.20q is not a cure quarter. Give it as on the bag, such as 2Q26.", code)
}

// addMonths adds calendar months to a day; one that the month does not have becomes its last.
func addMonths(day time.Time, months int) time.Time {
	first := time.Date(day.Year(), day.Month()+time.Month(months), 1, 0, 0, 0, 0, time.UTC)
	last := first.AddDate(0, 1, -1).Day()
	return first.AddDate(0, 0, min(day.Day(), last)-1)
}

// Flammable is the hazard class of a flammable liquid by its flash point and boiling point in degrees Celsius.
type Flammable struct {
	Class, Statement, Pictogram, Signal string
	BeyondCLP                           bool // a class of GHS and OSHA that CLP does not have
}

// ClassifyFlammable follows CLP Annex I, tables 2.6.1 and 2.6.2 (from memory), and GHS category 4 up to 93 °C.
func ClassifyFlammable(flash, boil float64) (Flammable, bool) {
	switch {
	case flash < 23 && boil <= 35:
		return Flammable{"Flam. Liq. 1", "H224", "GHS02", "Danger", false}, true
	case flash < 23:
		return Flammable{"Flam. Liq. 2", "H225", "GHS02", "Danger", false}, true
	case flash <= 60:
		return Flammable{"Flam. Liq. 3", "H226", "GHS02", "Warning", false}, true
	case flash <= 93:
		return Flammable{"Flam. Liq. 4", "H227", "", "Warning", true}, true
	default:
		return Flammable{}, false
	}
}
