package sheet

import (
	"regexp"
	"strings"
)

// suffixes are the ends of column names that state a unit, with its UCUM code. The first of a unit is the one that Heading
// writes. A bare "gal" or "mohm" is left out: it could be two units.
var suffixes = []struct{ suffix, unit string }{
	{"c", "Cel"}, {"degc", "Cel"}, {"f", "[degF]"}, {"degf", "[degF]"}, {"k", "K"},
	{"ft", "[ft_i]"}, {"m", "m"}, {"mm", "mm"}, {"in", "[in_i]"}, {"kt", "[kn_i]"}, {"kts", "[kn_i]"}, {"m_s", "m/s"},
	{"lbf_ft", "[ft_i].[lbf_av]"}, {"lb_ft", "[ft_i].[lbf_av]"}, {"ft_lb", "[ft_i].[lbf_av]"}, {"ft_lbf", "[ft_i].[lbf_av]"},
	{"nm", "N.m"}, {"n_m", "N.m"}, {"rpm", "{rpm}"}, {"pct", "%"}, {"percent", "%"}, {"ppm", "[ppm]"},
	{"lb_h", "[lb_av]/h"}, {"lb_hr", "[lb_av]/h"}, {"pph", "[lb_av]/h"}, {"kg_h", "kg/h"}, {"kg_hr", "kg/h"},
	{"h", "h"}, {"hr", "h"}, {"hours", "h"}, {"min", "min"}, {"s", "s"},
	{"psi", "[psi]"}, {"kpa", "kPa"}, {"hpa", "hPa"}, {"pa", "Pa"}, {"bar", "bar"}, {"inhg", "[in_i'Hg]"}, {"in_hg", "[in_i'Hg]"}, {"mmhg", "mm[Hg]"},
	{"l", "L"}, {"ml", "mL"}, {"ul", "uL"}, {"gal_us", "[gal_us]"}, {"us_gal", "[gal_us]"}, {"qt_us", "[qt_us]"}, {"us_qt", "[qt_us]"},
	{"pt_us", "[pt_us]"}, {"foz_us", "[foz_us]"}, {"us_fl_oz", "[foz_us]"}, {"gal_imp", "[gal_br]"}, {"imp_gal", "[gal_br]"}, {"qt_imp", "[qt_br]"},
	{"pt_imp", "[pt_br]"}, {"foz_imp", "[foz_br]"}, {"kg", "kg"}, {"g", "g"}, {"lb", "[lb_av]"}, {"oz", "[oz_av]"}, {"kw", "kW"}, {"hp", "[HP]"},
	{"l_min", "L/min"}, {"ml_s", "mL/s"}, {"gal_us_min", "[gal_us]/min"}, {"us_cm", "uS/cm"}, {"ms_m", "mS/m"}, {"ms_cm", "mS/cm"}, {"s_m", "S/m"},
	{"ph", "[pH]"}, {"kg_l", "kg/L"}, {"mg_l", "mg/L"}, {"ug_l", "ug/L"}, {"ohm", "Ohm"}, {"megohm", "MOhm"}, {"a", "A"}, {"v", "V"}, {"mv", "mV"}, {"w", "W"}, {"each", "{each}"},
}

var (
	unitOf   = index(func(suffix, unit string) (key, value string) { return suffix, unit })
	suffixOf = index(func(suffix, unit string) (key, value string) { return unit, suffix })
)

// index maps the suffixes; the first of equal keys stays.
func index(pair func(suffix, unit string) (key, value string)) map[string]string {
	m := map[string]string{}
	for _, s := range suffixes {
		key, value := pair(s.suffix, s.unit)
		if _, there := m[key]; !there {
			m[key] = value
		}
	}
	return m
}

// Heading is a column's name with its unit, such as "oat_c" for "oat" in "Cel"; the bare name when there is no unit.
func Heading(name, unit string) string {
	if unit == "" {
		return name
	}
	return name + "_" + suffixOf[unit]
}

var apart = regexp.MustCompile(`[^a-z0-9]+`)

// plainName is a header's name as the columns are known by: "OAT [°C]" and "oat_c" are the same.
func plainName(heading string) string {
	name := strings.ToLower(strings.TrimSpace(heading))
	name = strings.NewReplacer("%", " pct", "µ", "u", "μ", "u", "°", " ", "ω", "ohm", "n·m", "nm").Replace(name)
	return strings.Trim(apart.ReplaceAllString(name, "_"), "_")
}
