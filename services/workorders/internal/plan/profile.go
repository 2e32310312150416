package plan

import (
	"fmt"
	"strings"
)

func (p *Plan) choose(d Data, temperature *float64, powerSource string) {
	var offers []string
	for _, candidate := range d.Profiles {
		asked := powerSource == "" || candidate.PowerSource == powerSource || candidate.ID == powerSource
		if asked && candidate.suits(temperature) {
			p.Profile = candidate
			return
		}
		offers = append(offers, candidate.band())
	}
	offered := "none"
	if len(offers) > 0 {
		offered = strings.Join(offers, ", ")
	}
	p.refuse("No starter profile is entered for power source %q at this temperature; there are: %s. Enter it with its document, or use another source.", powerSource, offered)
}

// suits reports whether a profile is for this temperature; while none is known, every profile is.
func (c Profile) suits(temperature *float64) bool {
	if temperature == nil {
		return true
	}
	return (c.MinOAT == nil || *temperature >= *c.MinOAT) && (c.MaxOAT == nil || *temperature <= *c.MaxOAT)
}

// band says what a profile is for.
func (c Profile) band() string {
	text := fmt.Sprintf("%q", c.PowerSource)
	if c.MinOAT != nil {
		text += fmt.Sprintf(" from %g °C", *c.MinOAT)
	}
	if c.MaxOAT != nil {
		text += fmt.Sprintf(" to %g °C", *c.MaxOAT)
	}
	return text
}
