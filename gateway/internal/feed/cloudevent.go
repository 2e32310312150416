package feed

import (
	"encoding/json"
	"time"

	"google.golang.org/protobuf/encoding/protojson"

	accessv1 "coldsection.example/proto/coldsection/access/v1"
	"coldsection.example/services/platform/eventbus"
)

// BatchType is the media type of a list of events as JSON (CloudEvents JSON format 1.0, section 4).
const BatchType = "application/cloudevents-batch+json"

// CloudEventsType is the media type of one event as JSON (CloudEvents JSON format 1.0, section 3).
const CloudEventsType = "application/cloudevents+json; charset=utf-8"

// cloudEvent is an event in the CloudEvents JSON format 1.0. Extension names are lower-case letters and digits.
type cloudEvent struct {
	SpecVersion    string          `json:"specversion"`
	ID             string          `json:"id"`
	Source         string          `json:"source"`
	Type           string          `json:"type"`
	Subject        string          `json:"subject"`
	Time           string          `json:"time"`
	ContentType    string          `json:"datacontenttype"`
	Sequence       string          `json:"sequence,omitempty"` // the extension of this name
	SubjectVersion int64           `json:"subjectversion,omitempty"`
	Actor          string          `json:"actor,omitempty"`
	TraceParent    string          `json:"traceparent,omitempty"` // the extension "distributed tracing"
	Data           json.RawMessage `json:"data"`
}

// CloudEvent writes a fact as one JSON object. The same fact gives the same bytes.
func CloudEvent(m eventbus.Message) ([]byte, error) {
	e := cloudEvent{
		SpecVersion: "1.0", ID: m.ID, Source: "/coldsection/" + m.Source, Type: m.Type, Subject: m.Subject,
		Time: m.Time.UTC().Format(time.RFC3339Nano), ContentType: "application/json", SubjectVersion: m.Version, Actor: m.Actor,
		TraceParent: m.TraceParent, Data: m.Data,
	}
	if m.Sequence > 0 {
		e.Sequence = Cursor(m.Sequence)
	}
	return json.Marshal(e)
}

// Batch writes events of the contract as one JSON array.
func Batch(events []*accessv1.Event) ([]byte, error) {
	out := make([]cloudEvent, 0, len(events))
	for _, e := range events {
		data, err := protojson.Marshal(e.GetData())
		if err != nil {
			return nil, err
		}
		out = append(out, cloudEvent{
			SpecVersion: "1.0", ID: e.GetId(), Source: e.GetSource(), Type: e.GetType(), Subject: e.GetSubject(),
			Time: e.GetEventTime().AsTime().Format(time.RFC3339Nano), ContentType: "application/json", Sequence: e.GetSequence(),
			SubjectVersion: e.GetSubjectVersion(), Actor: e.GetActor(), TraceParent: e.GetTraceparent(), Data: data,
		})
	}
	return json.Marshal(out)
}
