package main

import (
	performancev1 "coldsection.example/proto/coldsection/performance/v1"
)

// report is assessments.json: what the suite said of the fleet.
type report struct {
	ReadingsTotal int            `json:"readings_total"`
	Engines       []engineReport `json:"engines"`
	Held          []held         `json:"held"`
}

type engineReport struct {
	Serial     string     `json:"serial"`
	Advices    []advice   `json:"advices"`
	Shifts     []shift    `json:"shifts"`
	Recoveries []recovery `json:"recoveries"`
}

type advice struct {
	Time   string `json:"time"`
	Kind   string `json:"kind"`
	Reason string `json:"reason"`
}

// shift is a change as it was judged at its detection, and how its causes were weighed from then on.
type shift struct {
	Time        string      `json:"time"`  // when it was detected
	Onset       string      `json:"onset"` // estimated
	Verdict     string      `json:"verdict"`
	Cause       string      `json:"cause"`
	Probability float64     `json:"probability"`
	Candidates  []candidate `json:"candidates"`
	Steps       []causeStep `json:"steps"`
}

type causeStep struct {
	Time       string      `json:"time"`
	Evidence   string      `json:"evidence"`
	Verdict    string      `json:"verdict"`
	Candidates []candidate `json:"candidates"`
}

// asDetected takes the verdict of the first step, for nothing later counts as known at the detection.
func (s *shift) asDetected() {
	first := s.Steps[0]
	s.Verdict, s.Candidates = first.Verdict, first.Candidates
	s.Cause, s.Probability = first.Candidates[0].Cause, first.Candidates[0].Probability
}

type candidate struct {
	Cause       string  `json:"cause"`
	Probability float64 `json:"probability"`
}

type recovery struct {
	Time    string    `json:"time"` // of the wash
	ITT     *interval `json:"ditt_c"`
	Ng      *interval `json:"dng_pct"`
	Fuel    *interval `json:"dwf_pct"`
	Verdict string    `json:"verdict"`
	Why     string    `json:"explanation"`
}

type interval struct {
	Estimate float64 `json:"estimate"`
	Low      float64 `json:"lo90"`
	High     float64 `json:"hi90"`
}

// held is a row that is not used: refused, held or an outlier.
type held struct {
	Serial string `json:"serial"`
	Time   string `json:"time"`
	Reason string `json:"reason"`
	Text   string `json:"text"`
}

func intervalOf(i *performancev1.Interval) *interval {
	if i == nil {
		return nil
	}
	return &interval{i.GetEstimate(), i.GetLower(), i.GetUpper()}
}

var verdicts = map[performancev1.Recovery_Verdict]string{
	performancev1.Recovery_RECOVERED: "recovered", performancev1.Recovery_NOT_RECOVERED: "not_recovered", performancev1.Recovery_CANNOT_TELL: "cannot_tell",
}
