package analysis

import (
	"fmt"
	"math"
)

// shown are the deviations as people read them.
var shown = [3]struct{ name, unit, format string }{{"ITT", "°C", "%+.1f"}, {"Ng", "%", "%+.2f"}, {"fuel flow", "%", "%+.1f"}}

// evidence says what speaks for a cause and against it: how the change came, and each deviation beside what the cause at its
// most likely size would do. A deviation within two standard deviations of that fits.
func (h hypothesis) evidence(s *signatures, c change, mean *matrix) (pro, contra []string) {
	usually, came := h.slow >= 0.5, "at once"
	if c.gradual {
		came = "slowly"
	}
	if usually == c.gradual {
		pro = append(pro, "It came "+came+", as this cause usually does.")
	} else {
		contra = append(contra, "It came "+came+", as this cause seldom does.")
	}
	v := around(mean, c, c.precision).plus(leastDirt*leastDirt, &s.spread)
	l, ok := v.cholesky()
	if !ok {
		return pro, contra
	}
	z, g := l.whiten(c.size), l.whiten(h.signature)
	amount := z.dot(g) / g.dot(g)
	if h.oneWay && amount < 0 {
		return pro, append(contra, "It goes the other way than this cause can.")
	}
	for i, at := range [3]int{0, 3, 5} {
		would, sd := amount*h.signature[i], math.Sqrt(v[at])
		words := fmt.Sprintf("%s moved by "+shown[i].format+" %s; this cause would move it by "+shown[i].format+" %s.", shown[i].name, c.size[i], shown[i].unit, would, shown[i].unit)
		switch {
		case math.Abs(c.size[i]-would) > 2*sd:
			contra = append(contra, words)
		case math.Abs(would) > 2*sd:
			pro = append(pro, words)
		default: // too small to speak for or against it
		}
	}
	return pro, contra
}
