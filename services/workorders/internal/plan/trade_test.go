package plan_test

import (
	"math"
	"slices"
	"strings"
	"testing"

	"coldsection.example/services/workorders/internal/plan"
)

// What the trade does, as people tell it: common practice, no source, for each of these. None is a limit of the suite; a wash follows the
// data of its engine's model. They are check values of the arithmetic alone.
const (
	halfGallon   = 1892.705892 // mL of solution, half a US gallon: common practice, no source
	waterParts   = 6           // of water, two integers and never "1:6": common practice, no source
	cleanerParts = 1           // of cleaner: common practice, no source
	shopAir      = 90.0        // psi in the shop's line: common practice, no source
	regulated    = 38.0        // psi at the container, about: common practice, no source
	openAfter    = 5           // s of rotation before the valve is opened: common practice, no source
	shutEarly    = 20          // s after it was opened, at the earliest: common practice, no source
	shutLate     = 25          // s after it was opened, at the latest: common practice, no source
	psi          = 6.894757293 // kPa, 1 lbf/in² (NIST Special Publication 811, appendix B.8)
)

func tradeWash(pressure float64, window int) plan.Plan {
	d := data()
	d.BatchML, d.WaterParts, d.CleanerParts, d.PressureKPa = halfGallon, waterParts, cleanerParts, pressure*psi
	d.OpenDelay, d.ValveWindow, d.CloseMargin, d.K = openAfter, window, 0, 3/math.Sqrt(regulated*psi) // 3 L/min at 38 psi: invented
	d.Container = plan.Container{Allowed: 400, ReliefSet: 380}
	return plan.Compute(d, false, new(20.0), "battery")
}

// A wash by what the trade does: 64/7 US fl oz of cleaner and 384/7 of water (case M01, exact), the valve open at 5 s of each run and
// shut 20 to 25 s later, 262 kPa shown as 38 psi.
func TestTheTradesWash(t *testing.T) {
	for _, window := range []int{shutEarly, shutLate} {
		p := tradeWash(regulated, window)
		if len(p.Refusals) != 0 || math.Abs(p.CleanerML-halfGallon/7) > 0.5 || math.Abs(p.WaterML-halfGallon*6/7) > 1 || math.Abs(p.CleanerML/29.5735295625-64.0/7) > 0.02 {
			t.Fatalf("window %d: %.1f mL of cleaner, %.1f mL of water, %v", window, p.CleanerML, p.WaterML, p.Refusals)
		}
		for _, e := range p.Timeline {
			if e.Activity != plan.WashRun {
				continue
			}
			open, shut := e.ValveOpen-e.Start, e.ValveShut-e.Start
			if open != openAfter || shut > openAfter+window || shut > e.End-e.Start {
				t.Errorf("window %d: a run from %d to %d opens at %d s and shuts at %d s", window, e.Start, e.End, open, shut)
			}
		}
		if first := p.Timeline[0]; first.ValveShut != openAfter+window {
			t.Errorf("the first run shuts at %d s, want %d", first.ValveShut, openAfter+window)
		}
	}
}

// The shop's line is never put on the container: at 90 psi the plan is refused, with the pressure that the container may hold.
func TestShopAirIsRegulated(t *testing.T) {
	p := tradeWash(shopAir, shutLate)
	if !strings.Contains(strings.Join(p.Refusals, " "), "621 kPa, and the container and its relief valve allow 380 kPa") {
		t.Errorf("%v", p.Refusals)
	}
	shown := slices.ContainsFunc(tradeWash(regulated, shutLate).Numbers, func(n plan.Number) bool {
		return n.Unit == "kPa" && math.Abs(n.Value-regulated*psi) < 0.05 && n.Alternate == "38.0 psi"
	})
	if !shown {
		t.Errorf("262 kPa are not shown as 38.0 psi: %v", tradeWash(regulated, shutLate).Numbers)
	}
}
