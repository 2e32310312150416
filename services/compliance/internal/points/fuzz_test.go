package points_test

import (
	"bytes"
	"testing"

	"coldsection.example/services/compliance/internal/due"
	"coldsection.example/services/compliance/internal/points"
)

// FuzzDecode reads bytes that nobody wrote. They are refused, or they are points: written again and read again they say the same, by all items and by some,
// and the requirements that are read by themselves are theirs.
func FuzzDecode(f *testing.F) {
	p := points.Points{Rules: "2.2", Since: first, Items: []points.Point{
		{Requirement: "requirements/a", Told: points.Told{Band: due.NoData, Row: 7}},
		{
			Requirement: "requirements/b", Counted: true, Threshold: due.DefaultThreshold, Told: points.Told{Band: due.Near, Date: first.AddDays(9)},
			Tree: due.Tree{Later: true, Limits: []due.Limit{{Unit: due.Hours, Amount: 3600}}, Trees: []due.Tree{{Limits: []due.Limit{{Unit: due.FixedDate, Fixed: first}}}}},
		},
	}}
	whole := p.Encode()
	for cut := range whole {
		f.Add(whole[:cut])
	}
	f.Add(whole)
	f.Add(append(bytes.Clone(whole), 0))
	f.Add(append([]byte{4}, bytes.Repeat([]byte{0xff}, 12)...)) // a length without end
	f.Fuzz(func(t *testing.T, body []byte) {
		got, err := points.Decode(body)
		if err != nil {
			_ = points.RulesOf(body) // whatever it says: it ends
			return
		}
		if rules := points.RulesOf(body); rules != got.Rules {
			t.Fatalf("%x is of %q, and by itself of %q", body, got.Rules, rules)
		}
		again, err := points.Decode(got.Encode())
		if err != nil || len(again.Items) != len(got.Items) || again.Since != got.Since || again.Until != got.Until {
			t.Fatalf("%x, written again, is %+v, %v", body, again, err)
		}
		for i := range got.Items {
			one := &got.Items[i]
			if !one.Same(again.Items[i]) || one.Told != again.Items[i].Told {
				t.Fatalf("%x: %+v became %+v", body, one, again.Items[i])
			}
			some, err := points.DecodeSome(body, []string{one.Requirement})
			if err != nil || len(some.Items) != 1 || !some.Items[0].Same(*one) {
				t.Fatalf("%x: %+v by itself is %+v, %v", body, one, some.Items, err)
			}
		}
	})
}
