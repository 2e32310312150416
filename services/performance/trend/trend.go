// Package trend lends the analysis of engine performance to judges and benchmarks outside the service: the fit of a baseline
// table, and what an engine's readings say against it. The rules are those of the service's packages baseline and analysis.
package trend

import (
	"coldsection.example/services/performance/internal/analysis"
	"coldsection.example/services/performance/internal/baseline"
)

// The types of the analysis, each described in its package.
type (
	// Point is a condition with what an engine reads there, or a row of a baseline table: m, °C, kt, rpm, N·m, %, kg/h.
	Point = baseline.Point
	// Baseline is what a clean nominal engine reads.
	Baseline = baseline.Model
	// Reading is one reading of an engine.
	Reading = analysis.Reading
	// Event is something done to an engine.
	Event = analysis.Event
	// Rules are the operator's rules and the stated false-alarm rate.
	Rules = analysis.Rules
	// Result is the whole analysis.
	Result = analysis.Result
	// Estimate is a value with the half width of its 90 % interval.
	Estimate = analysis.Estimate
	// Recovery is what a wash changed.
	Recovery = analysis.Recovery
	// Source are the clean readings of one engine, to learn a baseline from.
	Source = baseline.Source
	// Clean is one of them.
	Clean = baseline.Clean
	// Learned is a baseline learned from a fleet.
	Learned = baseline.Learned
)

// What the analysis says of a wash, and of a reading that it does not use.
const (
	Recovered    = analysis.Recovered
	NotRecovered = analysis.NotRecovered
	CannotTell   = analysis.CannotTell
	Held         = analysis.Held
	Outlier      = analysis.Outlier
)

// Fit learns a baseline from a table, with the exponents of ideal similarity. Errors are those of the service.
func Fit(table []Point) (*Baseline, error) { return baseline.Fit(table, baseline.Ideal) }

// Learn finds a baseline from the clean readings of a fleet, and what the fit gives as a model. Errors are those of the service.
func Learn(fleet []Source) (*Learned, *Baseline, error) {
	l, err := baseline.Learn(fleet, baseline.Ideal)
	if err != nil {
		return nil, nil, err
	}
	b, err := baseline.Of(l.Polynomial, baseline.Ideal)
	return l, b, err
}

// Analyse works an engine out.
func Analyse(b *Baseline, readings []Reading, events []Event, rules Rules) Result {
	return analysis.Analyse(b, readings, events, rules)
}
