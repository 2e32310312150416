package plan

import (
	"fmt"
	"math"
)

// window is how long the valve may be open in a run of this length.
func window(d Data, on int) int {
	w := on - d.OpenDelay - d.CloseMargin
	if d.ValveWindow > 0 {
		w = min(w, d.ValveWindow)
	}
	return w
}

const maxRuns = 60

// timeline lays the runs out: each inside its duty, rests as minima, the soak overlapping the rest (gap = the longer one).
func (p *Plan) timeline(d Data, rinseOnly bool) {
	t := &laying{p: p, d: d}
	if !rinseOnly && !t.pour(WashRun, p.SolutionML) {
		return
	}
	p.WashRuns = t.runs
	if !rinseOnly {
		t.soak()
	}
	for range d.rinses(rinseOnly) {
		if d.RinseML <= 0 {
			p.refuse("The wash data have no rinse volume. Enter it with its document.")
			return
		}
		if !t.pour(RinseRun, d.RinseML) {
			return
		}
	}
	p.RinseRuns = t.runs - p.WashRuns
	t.dry()
	p.TotalSeconds = t.now
	p.count(d)
}

// laying is a timeline being laid.
type laying struct {
	p         *Plan
	d         Data
	now, duty int
	runs      int
	lastEnd   int
	rest      int // the shortest rest that the last run asks for
}

// pour lays runs until the volume went through.
func (t *laying) pour(a Activity, volume float64) bool {
	perSecond := t.p.FlowLMin * 1000 / 60
	for volume > 0.5 {
		t.again()
		duty := t.p.Profile.Runs[t.duty%len(t.p.Profile.Runs)]
		w := window(t.d, duty.On)
		if t.runs >= maxRuns {
			t.p.refuse("More than %d runs of the starter are needed. Check the volumes and the ring's flow, or use another power source.", maxRuns)
			return false
		}
		if w <= 0 {
			t.p.refuse("A run of %d s leaves no time for the valve after %d s of delay and %d s of margin; it needs runs longer than %d s. Use another power source.",
				duty.On, t.d.OpenDelay, t.d.CloseMargin, t.d.OpenDelay+t.d.CloseMargin)
			return false
		}
		t.wait()
		open := math.Min(float64(w), volume/perSecond)
		seconds := int(math.Ceil(open))
		end := t.now + t.d.OpenDelay + seconds + t.d.CloseMargin
		t.p.Timeline = append(t.p.Timeline, Entry{
			Activity: a, Start: t.now, End: end, ValveOpen: t.now + t.d.OpenDelay, ValveShut: t.now + t.d.OpenDelay + seconds, VolumeML: math.Min(volume, open*perSecond),
			Note: fmt.Sprintf("run %d of at most %d s", t.runs+1, duty.On),
		})
		volume -= open * perSecond
		t.p.StarterSeconds += end - t.now
		t.now, t.lastEnd, t.rest = end, end, duty.Rest
		t.runs++
		t.duty++
	}
	return true
}

// again begins the duty list anew after a soak that is longer than every rest of it, as the starter's runs are held against it when they are recorded.
func (t *laying) again() {
	longest := 0
	for _, duty := range t.p.Profile.Runs {
		longest = max(longest, duty.Rest)
	}
	if gap := t.now - t.lastEnd; t.runs > 0 && gap >= longest && gap > t.rest {
		t.duty = 0
	}
}

// wait lays the rest before the next run.
func (t *laying) wait() {
	if t.runs == 0 || t.now >= t.lastEnd+t.rest {
		return
	}
	t.p.Timeline = append(t.p.Timeline, Entry{Activity: Rest, Start: t.now, End: t.lastEnd + t.rest, Note: fmt.Sprintf("the starter rests at least %d s", t.rest)})
	t.now = t.lastEnd + t.rest
}

func (t *laying) soak() {
	if t.d.SoakSeconds == 0 {
		return
	}
	t.p.Timeline = append(t.p.Timeline, Entry{Activity: Soak, Start: t.now, End: t.now + t.d.SoakSeconds, Note: "the solution works; the starter rests meanwhile"})
	t.now += t.d.SoakSeconds
}

// dry lays the drying run after the starter's rest, which its start needs, and inside the limit since the last wetting.
func (t *laying) dry() {
	if t.runs == 0 {
		return
	}
	wet := t.lastEnd
	t.wait()
	if gap := t.now - wet; t.d.DryingLimit > 0 && gap > t.d.DryingLimit {
		t.p.refuse("The starter rests %d s after the last run, and the drying run is due within %d s of it. Use another power source, or fewer runs with a stronger flow.",
			gap, t.d.DryingLimit)
		return
	}
	note := "start and run the engine as approved data say"
	if t.d.DryingLimit > 0 {
		note += fmt.Sprintf(", not later than %d s after the last wetting", t.d.DryingLimit)
	}
	if t.d.DryingSeconds == 0 {
		note += "; no length is entered"
	}
	t.p.Timeline = append(t.p.Timeline, Entry{Activity: DryingRun, Start: t.now, End: t.now + t.d.DryingSeconds, Note: note})
	t.now += t.d.DryingSeconds
}

// count explains the numbers of the timeline.
func (p *Plan) count(d Data) {
	on := p.Profile.Runs[0].On
	w := window(d, on)
	formula := fmt.Sprintf("%d s of run − %d s of delay − %d s of margin", on, d.OpenDelay, d.CloseMargin)
	if d.ValveWindow > 0 {
		formula = fmt.Sprintf("min(%s, %d s)", formula, d.ValveWindow)
	}
	if needed := d.OpenDelay + d.ValveWindow + d.CloseMargin; d.ValveWindow > 0 && needed > on {
		formula += fmt.Sprintf("; the full %d s need %d s of rotation, the profile allows %d s", d.ValveWindow, needed, on)
	}
	p.number("Valve open in a full run", float64(w), "s", formula, d.Document)
	perRun := p.FlowLMin * 1000 / 60 * float64(w)
	p.number("Through the ring in a full run", math.Round(perRun), "mL", fmt.Sprintf("%.2f L/min × %d s", p.FlowLMin, w), "Q = K·√Δp")
	if p.WashRuns > 0 {
		p.number("Wash runs", float64(p.WashRuns), "1", fmt.Sprintf("%.0f mL / %.0f mL, rounded up", p.SolutionML, perRun), d.Document)
	}
	p.number("Rinse runs", float64(p.RinseRuns), "1", fmt.Sprintf("%.0f mL each time / %.0f mL, rounded up", d.RinseML, perRun), d.Document)
	p.number("Starter use", float64(p.StarterSeconds), "s", "sum of all runs", "starter profile "+p.Profile.ID)
	p.number("Whole time", float64(p.TotalSeconds), "s", "from the first rotation to the end of the drying run", d.Document)
}
