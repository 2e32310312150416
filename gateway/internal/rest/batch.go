package rest

import (
	"context"
	"net/http"

	"github.com/grpc-ecosystem/grpc-gateway/v2/runtime"
	"google.golang.org/protobuf/proto"

	"coldsection.example/gateway/internal/feed"
	accessv1 "coldsection.example/proto/coldsection/access/v1"
)

// batch answers with a CloudEvents batch where a caller asks for one, and with plain JSON to everything else.
type batch struct{ runtime.Marshaler }

// ContentType is that of the batch for facts.
func (b batch) ContentType(v any) string {
	if _, ok := v.(*accessv1.ListEventsResponse); ok {
		return feed.BatchType
	}
	return b.Marshaler.ContentType(v)
}

// Marshal writes facts as a JSON array of events.
func (b batch) Marshal(v any) ([]byte, error) {
	if list, ok := v.(*accessv1.ListEventsResponse); ok {
		return feed.Batch(list.GetEvents())
	}
	return b.Marshaler.Marshal(v)
}

// nextCursor shows where to go on: a batch has no room for it.
func nextCursor(_ context.Context, w http.ResponseWriter, m proto.Message) error {
	if list, ok := m.(*accessv1.ListEventsResponse); ok {
		w.Header().Set("Next-Cursor", list.GetNextCursor())
	}
	return nil
}
