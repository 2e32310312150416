package plan_test

import (
	"strings"
	"testing"

	"coldsection.example/services/workorders/internal/plan"
)

// The handbook of washing, section A3: salt is rinsed off with water, soot and crop dust need cleaner, sand mostly wears and no wash repairs
// that; classes of chloride by ISO 9223: S0 up to 3, S1 to 60, S2 to 300, S3 to 1500 mg/(m²·d). That ash and soot come before salt is common
// practice, no source: their wash ends with rinses.
func TestWhichWashFollowsFromTheAir(t *testing.T) {
	flights := func(kinds ...string) (out []plan.Exposure) {
		for _, k := range kinds {
			out = append(out, plan.Exposure{Kind: k, Flights: 2, Wears: "wears"})
		}
		return out
	}
	for _, c := range []struct {
		flown      []plan.Exposure
		deposition *float64
		class      string
		wash       plan.Wash
		word       string
	}{
		{nil, new(250.0), plan.Salt, plan.Rinse, "class S2"},
		{nil, new(4.0), plan.Salt, plan.Rinse, "class S1"},
		{nil, new(3.0), "", plan.NoWash, "class S0"},
		{nil, new(2000.0), plan.Salt, plan.Rinse, "above S3"},
		{flights(plan.Salt), nil, plan.Salt, plan.Rinse, "2 flights through salt"},
		{flights(plan.Salt), new(2.0), "", plan.NoWash, "class S0"},
		{flights(plan.Sand), nil, plan.Sand, plan.NoWash, "through sand"},
		{flights(plan.Sand, plan.Salt), nil, plan.Salt, plan.Rinse, "through salt"},
		{flights(plan.Industrial), new(250.0), plan.Industrial, plan.Recovery, "class S2"},
		{flights(plan.Agricultural, plan.Salt), nil, plan.Agricultural, plan.Recovery, "agricultural"},
		{flights(plan.Ash, plan.Industrial), nil, plan.Ash, plan.Recovery, "looked at"},
	} {
		p, known := plan.Propose(plan.Data{Flown: c.flown, Deposition: c.deposition, DepositionSource: "survey"})
		if !known || p.Class != c.class || p.Wash != c.wash || !strings.Contains(strings.Join(p.Reasons, "; "), c.word) {
			t.Errorf("%v, %v: %+v, %t", c.flown, c.deposition, p, known)
		}
	}
	if p, known := plan.Propose(plan.Data{}); known || p.Wash != plan.NoWash {
		t.Errorf("nothing is known, and %+v follows", p)
	}
}
