// Package feed reads the stream of facts for those outside: cursors, the contract's events, and CloudEvents as JSON.
package feed

import (
	"context"
	"fmt"
	"strconv"

	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/types/known/structpb"
	"google.golang.org/protobuf/types/known/timestamppb"

	accessv1 "coldsection.example/proto/coldsection/access/v1"
	"coldsection.example/services/platform/eventbus"
	"coldsection.example/services/platform/fault"
)

// Source reads facts in the order of the stream.
type Source interface {
	Feed(ctx context.Context, q eventbus.FeedQuery) (facts []eventbus.Message, next uint64, err error)
	// Bounds are the sequences before the oldest fact kept, and of the newest one.
	Bounds(ctx context.Context) (oldest, newest uint64, err error)
}

// Cursor is a sequence in a form that sorts as text.
func Cursor(sequence uint64) string { return fmt.Sprintf("%020d", sequence) }

// ParseCursor reads a cursor of this field; the empty text is 0. Reason: CURSOR_INVALID.
func ParseCursor(field, text string) (uint64, error) {
	if text == "" {
		return 0, nil
	}
	n, err := strconv.ParseUint(text, 10, 64)
	if err != nil {
		return 0, fault.Invalid(field, "CURSOR_INVALID",
			"%q is no cursor. Give the next_cursor of the answer before, or nothing to start.", text)
	}
	return n, nil
}

// EventOf is a fact in the contract's form.
func EventOf(m eventbus.Message) (*accessv1.Event, error) {
	data := &structpb.Struct{}
	if err := protojson.Unmarshal(m.Data, data); err != nil {
		return nil, fmt.Errorf("the payload of %s: %w", m.ID, err)
	}
	return &accessv1.Event{
		Id: m.ID, Source: "/coldsection/" + m.Source, Type: m.Type, Subject: m.Subject, EventTime: timestamppb.New(m.Time),
		Sequence: Cursor(m.Sequence), SubjectVersion: m.Version, Actor: m.Actor, Data: data,
		Traceparent: m.TraceParent,
	}, nil
}
