package analysis

import (
	"bytes"
	"encoding/gob"
	"time"

	"coldsection.example/services/performance/internal/baseline"
)

// Form names the form that Freeze writes; another program that writes another form, or judges readings by other rules, has another name.
const Form = "8"

// Freeze writes a tracker down, some 20 kB.
func (t *Tracker) Freeze() ([]byte, error) {
	t.explain()
	var b bytes.Buffer
	err := gob.NewEncoder(&b).Encode(t)
	return b.Bytes(), err
}

// Thaw reads a tracker that was written down in this form.
func Thaw(text []byte) (*Tracker, error) {
	t := &Tracker{}
	if err := gob.NewDecoder(bytes.NewReader(text)).Decode(t); err != nil {
		return nil, err
	}
	t.signatures, t.mean = signaturesOf(t.Rules), longRunOf(t.Scatter.mean())
	return t, nil
}

// Follows says whether a time is after everything that the tracker saw, so that it can take a reading of it in.
func (t *Tracker) Follows(at time.Time) bool { return at.After(t.Newest) }

// see moves the newest time.
func (t *Tracker) see(at time.Time) {
	if at.After(t.Newest) {
		t.Newest = at
	}
}

// Continue takes readings in that all follow what the tracker saw. Of advices and recoveries the result has the new and the
// unsettled ones only; all else is as if everything had been worked out anew.
func (t *Tracker) Continue(model *baseline.Model, readings []Reading) Result {
	before, taken := t.Mark(), sorted(readings)
	verdicts := t.Take(model, taken)
	r := t.From(before)
	r.Readings, r.Verdicts = taken, verdicts
	return r
}

// Take takes readings in, in order of time, that all follow what the tracker saw, and says what became of each.
func (t *Tracker) Take(model *baseline.Model, readings []Reading) []Verdict {
	verdicts := make([]Verdict, len(readings))
	for i := range readings {
		t.read(model, &readings[i], &verdicts[i])
	}
	return verdicts
}

// Mark is how far a tracker was at some time.
type Mark struct{ advices, heldBack, measured int }

// Mark says how far the tracker is.
func (t *Tracker) Mark() Mark { return Mark{len(t.Advices), len(t.HeldBack), len(t.Measured)} }

// From is the result of Continue for all that was taken in since a mark, without the readings and their verdicts.
func (t *Tracker) From(m Mark) (r Result) {
	t.tell(&r)
	r.Advices, r.HeldBack, r.Recoveries = r.Advices[m.advices:], r.HeldBack[m.heldBack:], r.Recoveries[m.measured:]
	return r
}
