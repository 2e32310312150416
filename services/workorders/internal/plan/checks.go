package plan

import (
	"fmt"
	"math"
)

// Ring is what is known of the spray ring besides its catch test; zero values are not known.
type Ring struct {
	Holes       int
	Diameter    float64 // mm
	Coefficient float64 // of discharge
	TestDue     string  // the last day that the catch test counts, YYYY-MM-DD
}

// band is how far the caught flow may lie from that of the drawn holes, as a share (common practice, no source). Half the holes
// blocked is half the flow.
const band = 0.2

// waterDensity is of water at 20 °C, in kg/m³.
const waterDensity = 998.2

// equipment checks the ring and the container before anything is planned on them.
func (p *Plan) equipment(d Data) {
	p.ring(d)
	c := d.Container
	if c.Allowed > 0 {
		p.number("Highest pressure while the relief valve blows", c.Highest(), "kPa", fmt.Sprintf("110 %% of %.0f kPa; no valve between vessel and relief valve", c.Allowed),
			"29 CFR 1917.155(b), 30 CFR 57.13011")
	}
	switch {
	case c.ReliefSet > c.Allowed && c.Allowed > 0:
		p.refuse("The relief valve is set to %.0f kPa, above the %.0f kPa that the container may hold. Have it set to %.0f kPa at most, or use another container.",
			c.ReliefSet, c.Allowed, c.Allowed)
	case limit(c) > 0 && d.PressureKPa > limit(c):
		p.refuse("The wash asks for %.0f kPa, and the container and its relief valve allow %.0f kPa. Use a container for a higher pressure.", d.PressureKPa, limit(c))
	}
	p.overdue(d.Day, c.TestDue, "The test of the container")
	p.overdue(d.Day, c.ReliefDue, "The test of the relief valve")
	if !MayBlowOut(d.PressureKPa) {
		p.number("Air for blowing the ring out, less than", cleaningAir, "kPa",
			fmt.Sprintf("guarded, with eye protection; the wash pressure of %.0f kPa is too high for it", d.PressureKPa), "29 CFR 1910.242(b)")
	}
}

// limit is the lower one of what is known, 0 when nothing is.
func limit(c Container) float64 {
	if c.ReliefSet > 0 && (c.Allowed == 0 || c.ReliefSet < c.Allowed) {
		return c.ReliefSet
	}
	return c.Allowed
}

func (p *Plan) overdue(day, due, what string) {
	if due != "" && day > due {
		p.refuse("%s was due on %s. Have it done and enter the next day.", what, due)
	}
}

// ring compares the catch test with what the drawn holes would pass: a ring that is half blocked sprays half, and nobody hears it.
func (p *Plan) ring(d Data) {
	p.overdue(d.Day, d.Ring.TestDue, "The catch test of the ring")
	drawn := Orifice(d.Ring.Coefficient, d.Ring.Diameter, d.PressureKPa, waterDensity, d.Ring.Holes)
	if drawn <= 0 || p.FlowLMin <= 0 {
		return
	}
	share := p.FlowLMin / drawn
	p.number("Caught flow of the drawn flow", math.Round(share*100), "%", fmt.Sprintf("%.2f L/min / %.2f L/min of %d holes of %.2f mm at Cd %.2f", p.FlowLMin, drawn,
		d.Ring.Holes, d.Ring.Diameter, d.Ring.Coefficient), "Q = Cd·A·√(2·Δp/ρ); a band of ±20 % is common practice, no source")
	if math.Abs(share-1) > band {
		p.refuse("The catch test passes %.0f %% of what the ring's holes should. Clean or change the ring, catch again and enter the coefficient.", share*100)
	}
}

// environment states the class of the air that the engine flew in since its last rinse.
func (p *Plan) environment(d Data) {
	for _, e := range d.Flown {
		p.number("Flights through "+e.Kind+" since the last rinse", float64(e.Flights), "1", e.Wears, "flight exposures; common practice, no source")
	}
	if d.Deposition == nil {
		return
	}
	class, ok := Salinity(*d.Deposition)
	if !ok {
		class = "none: above S3, so have the site assessed"
	}
	p.number("Salt in the air since the last rinse", *d.Deposition, "mg/(m2.d)", "class "+class, "ISO 9223; "+d.DepositionSource)
}

// flow is Q = K·√Δp of a fixed ring; 150 gpm at 50 psi is 183.7 gpm at 75 psi.
func (p *Plan) flow(d Data) {
	if p.FlowLMin = d.K * math.Sqrt(d.PressureKPa); !(p.FlowLMin > 0) {
		p.refuse("The ring's flow is not known. Do a catch test and enter its coefficient, and the container pressure.")
		return
	}
	p.number("Flow through the ring", p.FlowLMin, "L/min", fmt.Sprintf("%.4g × √%.1f kPa", d.K, d.PressureKPa), "Q = K·√Δp; catch test in "+d.Document)
	p.number("Container pressure", d.PressureKPa, "kPa", "gauge", d.Document)
}
