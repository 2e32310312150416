package quantity

import (
	"math/big"
	"strconv"
	"strings"

	"github.com/govalues/decimal"

	"coldsection.example/services/platform/fault"
)

// System is a system of units that a reader prefers.
type System string

// The systems of units.
const (
	SI System = "SI" // with litres, degrees Celsius, and the minutes and hours that the SI accepts beside it
	US System = "US" // United States customary units
)

// ParseSystem reads the name of a system. Reason: UNIT_SYSTEM_UNKNOWN.
func ParseSystem(name string) (System, error) {
	if s := System(name); s == SI || s == US {
		return s, nil
	}
	return "", fault.Invalid("units", "UNIT_SYSTEM_UNKNOWN", "%.40q is no unit system that is known here. Ask for SI or US.", name)
}

// counterparts are the units that each system has for those of the other, of like size, so that a small amount stays readable.
// Units without a row stay as they are: knots, revolutions, per cent and electrical units are common to both. So does the
// kelvin: the suite states differences of temperatures in it, and a difference may not be converted like a temperature.
var counterparts = map[System]map[string]string{
	US: {
		"L": "[gal_us]", "mL": "[foz_us]", "[gal_br]": "[gal_us]", "[qt_br]": "[qt_us]", "[pt_br]": "[pt_us]", "[foz_br]": "[foz_us]",
		"kg": "[lb_av]", "g": "[oz_av]", "kPa": "[psi]", "Pa": "[psi]", "bar": "[psi]", "hPa": "[in_i'Hg]", "mm[Hg]": "[in_i'Hg]",
		"Cel": "[degF]", "N.m": "[ft_i].[lbf_av]", "kW": "[HP]", "kg/h": "[lb_av]/h",
		"L/min": "[gal_us]/min", "mL/s": "[gal_us]/min", "m": "[ft_i]", "mm": "[in_i]",
	},
	SI: {
		"[gal_us]": "L", "[qt_us]": "L", "[pt_us]": "L", "[foz_us]": "mL", "[gal_br]": "L", "[qt_br]": "L", "[pt_br]": "L", "[foz_br]": "mL",
		"[lb_av]": "kg", "[oz_av]": "g", "[psi]": "kPa", "bar": "kPa", "[in_i'Hg]": "hPa", "mm[Hg]": "hPa",
		"[degF]": "Cel", "[ft_i].[lbf_av]": "N.m", "[HP]": "kW", "[lb_av]/h": "kg/h", "[gal_us]/min": "L/min", "[ft_i]": "m", "[in_i]": "mm",
	},
}

// Counterpart is the unit in which a system states what another states in u; u itself where it has no other.
func (s System) Counterpart(u Unit) Unit {
	if code, ok := counterparts[s][u.Code]; ok {
		return byCode[code]
	}
	return u
}

// leastDigits are the significant digits that a converted amount has at least; a whole number of litres may be exact.
const leastDigits = 4

// In states q in a system of units, for reading: as fine as q is written, and to four significant digits at least. An amount whose
// unit has no counterpart there is q itself. Reason: VALUE_TOO_LONG.
func (q Quantity) In(s System) (Quantity, error) {
	to := s.Counterpart(q.unit)
	if to.Code == q.unit.Code {
		return q, nil
	}
	amount := to.fromBase(q.base())
	// One step of what is written, in the other unit.
	step := new(big.Rat).Quo(q.unit.factor, to.factor)
	step.Quo(step, new(big.Rat).SetInt(new(big.Int).SetUint64(powers[q.value.Scale()])))
	first := firstDigit(amount)
	scale := max(0, firstDigit(step), first+leastDigits-1)
	return decimalOf(amount, min(scale, decimal.MaxScale-1+min(0, first)), to)
}

// firstDigit is the place of r's first significant digit after the point: 1 for 0.26, 4 for 0.00026, 0 for 2.6, -1 for 26.
func firstDigit(r *big.Rat) int {
	f, _ := new(big.Rat).Abs(r).Float64()
	_, exponent, _ := strings.Cut(strconv.FormatFloat(f, 'e', -1, 64), "e")
	n, err := strconv.Atoi(exponent)
	if err != nil || f == 0 {
		return 0
	}
	return -n
}

// Text is the amount with its unit as print and screens show them, such as "5.283 US gal".
func (q Quantity) Text() string { return q.value.String() + " " + q.unit.Label }
