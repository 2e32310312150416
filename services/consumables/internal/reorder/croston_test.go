package reorder

import "testing"

// The cuts between the classes (Syntetos, Boylan & Croston, JORS 56, 2005; from memory): what lies on a cut is on its lower side.
func TestTheCutsBetweenTheClasses(t *testing.T) {
	for _, c := range []struct {
		series []float64
		want   string
	}{
		{nil, "none"}, {[]float64{0, 0}, "none"}, {[]float64{4, 4, 4}, "smooth"}, {[]float64{1, 1, 9}, "erratic"},
		{[]float64{0, 0, 4, 0, 4}, "intermittent"}, {[]float64{0, 0, 1, 0, 1, 0, 9}, "lumpy"},
		{[]float64{4, 4, 4, 4, 0, 4}, "smooth"}, // a mean interval of 1.2
	} {
		if got, _, _ := Class(c.series); got != c.want {
			t.Errorf("%v is %s, want %s", c.series, got, c.want)
		}
	}
	if f, ok := Croston([]float64{0, 0}, 0.1); ok || f != (Forecast{}) {
		t.Errorf("nothing used is forecast: %+v", f)
	}
}
