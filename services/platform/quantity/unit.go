package quantity

import (
	"math/big"
	"strings"

	"coldsection.example/services/platform/fault"
)

// Dimension names what a unit measures. The comment beside each value gives its base unit, the one that Canonical returns.
type Dimension string

// The dimensions that the suite uses.
const (
	Volume       Dimension = "volume"       // litre, L
	Mass         Dimension = "mass"         // kilogram, kg
	Pressure     Dimension = "pressure"     // kilopascal, kPa; gauge or absolute is the field's business
	Temperature  Dimension = "temperature"  // degree Celsius, Cel
	Torque       Dimension = "torque"       // newton metre, N.m
	Power        Dimension = "power"        // kilowatt, kW
	Speed        Dimension = "speed"        // knot, [kn_i]
	Rotation     Dimension = "rotation"     // revolution per minute, {rpm}
	MassFlow     Dimension = "mass flow"    // kilogram per hour, kg/h
	VolumeFlow   Dimension = "volume flow"  // litre per minute, L/min
	Length       Dimension = "length"       // metre, m
	Time         Dimension = "time"         // second, s
	Conductivity Dimension = "conductivity" // microsiemens per centimetre, uS/cm
	Ratio        Dimension = "ratio"        // per cent, %
	Acidity      Dimension = "acidity"      // pH
	Density      Dimension = "density"      // kilogram per litre, kg/L; also dissolved solids
	Resistance   Dimension = "resistance"   // ohm, Ohm
	Current      Dimension = "current"      // ampere, A
	Voltage      Dimension = "voltage"      // volt, V
	Count        Dimension = "count"        // each, {each}
)

// Unit is one row of the unit table; look one up by code.
type Unit struct {
	Code      string    // UCUM
	Rec20     string    // UN/ECE Recommendation 20, "" when it has none
	Dimension Dimension // what it measures
	Label     string    // as print and screens show it
	factor    *big.Rat  // base units in one of this unit
	offset    *big.Rat  // added before the factor, for temperatures; nil is zero
	small     small     // both again, for quick
}

func (u Unit) toBase(v *big.Rat) *big.Rat {
	out := new(big.Rat).Set(v)
	if u.offset != nil {
		out.Add(out, u.offset)
	}
	return out.Mul(out, u.factor)
}

func (u Unit) fromBase(v *big.Rat) *big.Rat {
	out := new(big.Rat).Quo(v, u.factor)
	if u.offset != nil {
		out.Sub(out, u.offset)
	}
	return out
}

// Lookup finds a unit by its UCUM or Recommendation 20 code, which are case-sensitive. Reason: UNIT_UNKNOWN.
func Lookup(code string) (Unit, error) {
	if u, ok := byCode[code]; ok {
		return u, nil
	}
	return Unit{}, fault.Invalid("unit_code", "UNIT_UNKNOWN",
		"%.40q is not a unit code that is known here. Use a UCUM code such as L, mL, [gal_us], Cel, kPa or uS/cm.", code).With("allowed_codes", allowed(""))
}

// allowed are the codes of the units of a dimension, of all when it is empty.
func allowed(of Dimension) string {
	var codes []string
	for _, u := range table {
		if of == "" || u.Dimension == of {
			codes = append(codes, u.Code)
		}
	}
	return strings.Join(codes, ", ")
}

// MustLookup is Lookup for constants; it panics on an unknown code.
func MustLookup(code string) Unit {
	u, err := Lookup(code)
	if err != nil {
		panic(err)
	}
	return u
}

// Units lists the whole table in a fixed order.
func Units() []Unit { return append([]Unit(nil), table...) }

var byCode = index(table)

func index(units []Unit) map[string]Unit {
	m := make(map[string]Unit, 2*len(units))
	for i := range units {
		units[i].small = smallOf(units[i].factor, units[i].offset)
		u := units[i]
		for _, code := range []string{u.Code, u.Rec20} {
			if code == "" {
				continue
			}
			if _, dup := m[code]; dup {
				panic("quantity: two units have the code " + code)
			}
			m[code] = u
		}
	}
	for _, code := range pieces {
		m[code] = m["{each}"]
	}
	return m
}

// pieces are the codes of Recommendation 20 for "one" and "piece", which others write for what is counted; EA is what we write.
var pieces = []string{"C62", "H87"}

func rat(s string) *big.Rat {
	r, ok := new(big.Rat).SetString(s)
	if !ok {
		panic("quantity: bad factor " + s)
	}
	return r
}
