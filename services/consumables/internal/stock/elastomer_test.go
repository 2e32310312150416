package stock_test

import (
	"testing"

	"coldsection.example/services/consumables/internal/stock"
	"coldsection.example/services/platform/fault"
)

// Shelf lives of seals by elastomer: public summaries of SAE AS5316 (formerly ARP5316), in years from the last day of the cure quarter; 0 keeps for ever.
func TestEveryElastomerOfTheTable(t *testing.T) {
	for elastomer, years := range map[string]int{
		"NBR": 15, "CR": 15, "HNBR": 15, "AU": 5, "EU": 5, "AU/EU": 5, "FKM": 0, "EPM": 0, "EPDM": 0, "EPM/EPDM": 0, "VMQ": 0, "FVMQ": 0, "FFKM": 0, "IIR": 0,
	} {
		last, unlimited, err := stock.CureLife(elastomer, "2Q26", 0)
		want := map[int]string{15: "2041-06-30", 5: "2031-06-30", 0: ""}[years]
		if err != nil || last != want || unlimited != (years == 0) {
			t.Errorf("%s: %q, %t, %v; want %q", elastomer, last, unlimited, err, want)
		}
		if last, unlimited, err := stock.CureLife(elastomer, "2Q26", 30); err != nil || last != "2028-12-30" || unlimited {
			t.Errorf("%s with the owner's 30 months: %q, %t, %v", elastomer, last, unlimited, err)
		}
	}
	for quarter, last := range map[string]string{
		"1Q26": "2031-03-31", "2Q26": "2031-06-30", "3Q26": "2031-09-30", "4Q26": "2031-12-31",
		"1Q79": "2084-03-31", "4Q80": "1985-12-31", "4Q99": "2004-12-31", "4Q00": "2005-12-31",
	} {
		if got, _, err := stock.CureLife("AU", quarter, 0); err != nil || got != last {
			t.Errorf("%s keeps through %q, %v; want %s", quarter, got, err, last)
		}
	}
	for _, wrong := range []string{"", "0Q26", "5Q26", "2X26", "2Q2", "2Q263", "2Qab", "Q226", "2Q-1", "2Q+1"} {
		if last, unlimited, err := stock.CureLife("AU", wrong, 0); !fault.HasReason(err, "CURE_QUARTER_INVALID") || last != "" || unlimited {
			t.Errorf("%q: %q, %t, %v", wrong, last, unlimited, err)
		}
	}
	if _, unlimited, err := stock.CureLife("SBR", "2Q26", 0); !fault.HasReason(err, "ELASTOMER_LIFE_UNKNOWN") || unlimited {
		t.Errorf("SBR: %t, %v", unlimited, err)
	}
	if last, _, err := stock.CureLife("SBR", "2Q26", 36); err != nil || last != "2029-06-30" {
		t.Errorf("SBR with the owner's 36 months: %q, %v", last, err)
	}
}

// CLP Annex I, tables 2.6.1 and 2.6.2, from memory: the bounds themselves.
func TestTheBoundsOfFlammableLiquids(t *testing.T) {
	for _, c := range []struct {
		flash, boil float64
		want        stock.Flammable
		is          bool
	}{
		{22.9, 35, stock.Flammable{Class: "Flam. Liq. 1", Statement: "H224", Pictogram: "GHS02", Signal: "Danger"}, true},
		{22.9, 35.1, stock.Flammable{Class: "Flam. Liq. 2", Statement: "H225", Pictogram: "GHS02", Signal: "Danger"}, true},
		{23, 35, stock.Flammable{Class: "Flam. Liq. 3", Statement: "H226", Pictogram: "GHS02", Signal: "Warning"}, true},
		{60, 100, stock.Flammable{Class: "Flam. Liq. 3", Statement: "H226", Pictogram: "GHS02", Signal: "Warning"}, true},
		{60.1, 100, stock.Flammable{Class: "Flam. Liq. 4", Statement: "H227", Signal: "Warning", BeyondCLP: true}, true},
		{93, 100, stock.Flammable{Class: "Flam. Liq. 4", Statement: "H227", Signal: "Warning", BeyondCLP: true}, true},
		{93.1, 100, stock.Flammable{}, false},
	} {
		if got, is := stock.ClassifyFlammable(c.flash, c.boil); got != c.want || is != c.is {
			t.Errorf("flash point %g °C, boiling at %g °C: %+v, %t; want %+v", c.flash, c.boil, got, is, c.want)
		}
	}
}
