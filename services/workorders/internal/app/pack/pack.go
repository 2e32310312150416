// Package pack writes the work pack of an order: the record as PDF for people and as JSON for machines, and the sheet to fill in by
// hand on a day without network. Both forms of the record say the same: the PDF bears the hash of the JSON.
package pack

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"time"

	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"

	commonv1 "coldsection.example/proto/coldsection/common/v1"
	workordersv1 "coldsection.example/proto/coldsection/workorders/v1"
)

// Notice stands on every page and in every file.
const Notice = "Calculated, to be confirmed against approved data."

// Signed is a signature with what checking it found.
type Signed struct {
	Signature *commonv1.Signature
	Valid     bool
	Why       string // if not valid
}

// Record is everything that a pack shows.
type Record struct {
	Order      *workordersv1.WorkOrder
	Station    *workordersv1.Station  // nil while there is none
	Plan       *workordersv1.WashPlan // nil for an order without one
	Steps      []*workordersv1.Step
	Readings   []*workordersv1.Measurement
	Runs       []*workordersv1.MotoringRun
	Findings   []*workordersv1.Finding
	Labour     []*workordersv1.LabourEntry
	Attached   []*workordersv1.Attachment
	Signatures []Signed
	History    []*workordersv1.HistoryEntry // oldest first
	Zone       *time.Location
	Printed    time.Time
}

// document is the JSON form; its parts are the messages of the contract.
type document struct {
	Kind        string            `json:"kind"`
	Notice      string            `json:"notice"`
	Order       json.RawMessage   `json:"workOrder"`
	Station     json.RawMessage   `json:"station,omitempty"`
	Plan        json.RawMessage   `json:"washPlan,omitempty"`
	Steps       []json.RawMessage `json:"steps"`
	Readings    []json.RawMessage `json:"measurements"`
	Runs        []json.RawMessage `json:"motoringRuns"`
	Findings    []json.RawMessage `json:"findings"`
	Labour      []json.RawMessage `json:"labourEntries"`
	LabourSum   int64             `json:"labourSeconds"`
	Attachments []json.RawMessage `json:"attachments"`
	Signatures  []signature       `json:"signatures"`
	History     []json.RawMessage `json:"history"`
}

type signature struct {
	Signature   json.RawMessage `json:"signature"`
	Valid       bool            `json:"valid"`
	Explanation string          `json:"explanation,omitempty"`
}

// JSON is the record for machines; the same record gives the same bytes.
func JSON(r Record) ([]byte, error) {
	e := &encoder{}
	d := document{
		Kind: "coldsection.workorder.pack.v1", Notice: Notice, Order: e.one(r.Order), Steps: all(e, r.Steps), Readings: all(e, r.Readings), Runs: all(e, r.Runs),
		Findings: all(e, r.Findings), Labour: all(e, r.Labour), Attachments: all(e, r.Attached), LabourSum: worked(r.Labour), Signatures: []signature{},
		History: all(e, r.History),
	}
	if r.Station != nil {
		d.Station = e.one(r.Station)
	}
	if r.Plan != nil {
		d.Plan = e.one(r.Plan)
	}
	for _, s := range r.Signatures {
		d.Signatures = append(d.Signatures, signature{Signature: e.one(s.Signature), Valid: s.Valid, Explanation: s.Why})
	}
	if e.err != nil {
		return nil, e.err
	}
	return json.MarshalIndent(d, "", "  ")
}

// encoder makes JSON of messages and keeps the first error.
type encoder struct{ err error }

// one is a message as JSON. Its blanks are taken out: those of the library differ from build to build.
func (e *encoder) one(m proto.Message) json.RawMessage {
	raw, err := protojson.Marshal(m)
	var plain bytes.Buffer
	if err == nil {
		err = json.Compact(&plain, raw)
	}
	if err != nil && e.err == nil {
		e.err = err
	}
	return plain.Bytes()
}

func all[T proto.Message](e *encoder, list []T) []json.RawMessage {
	out := []json.RawMessage{}
	for _, m := range list {
		out = append(out, e.one(m))
	}
	return out
}

// worked is the time worked; what was corrected and what was taken back is none.
func worked(entries []*workordersv1.LabourEntry) (seconds int64) {
	for _, e := range entries {
		if e.GetSuccessor() == "" && !e.GetWithdrawn() {
			seconds += e.GetWorkedSeconds()
		}
	}
	return seconds
}

// Hash is the SHA-256 of bytes, in hex.
func Hash(content []byte) string {
	sum := sha256.Sum256(content)
	return hex.EncodeToString(sum[:])
}
