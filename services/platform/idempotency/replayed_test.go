package idempotency_test

import (
	"context"
	"testing"

	"google.golang.org/grpc"
	"google.golang.org/grpc/metadata"

	"coldsection.example/services/platform/idempotency"
	"coldsection.example/services/platform/storage"
	"coldsection.example/services/platform/storage/storagetest"
)

// told is one call as the server sees it, and the metadata of its answer.
type told struct {
	method string
	header metadata.MD
}

// Method is the name of the method.
func (t *told) Method() string { return t.method }

// SetHeader adds to the metadata of the answer.
func (t *told) SetHeader(m metadata.MD) error {
	t.header = metadata.Join(t.header, m)
	return nil
}

// SendHeader sends nothing.
func (*told) SendHeader(metadata.MD) error { return nil }

// SetTrailer keeps nothing.
func (*told) SetTrailer(metadata.MD) error { return nil }

// Check API-12: an answer that its key was given before says so, and no other does.
func TestAnAnswerThatWasGivenBeforeSaysSo(t *testing.T) {
	storagetest.Engines(t, effects, func(t *testing.T, db *storage.DB) {
		dry := create("dry", "cloth")
		dry.ValidateOnly = true
		for i, c := range []struct {
			key, name string
			dry       bool
			want      string
		}{
			{"key", "brush", false, ""}, {"key", "brush", false, "true"}, {"key", "brush", false, "true"}, {"key", "hose", false, ""}, // refused
			{"dry", "cloth", true, ""}, {"dry", "cloth", true, ""}, {"other", "pump", false, ""},
		} {
			req, call := create(c.key, c.name), &told{method: "/a.v1.S/Create"}
			req.ValidateOnly = c.dry
			_, err := execute(grpc.NewContextWithServerTransportStream(t.Context(), call), db, req)
			if got := first(call.header.Get(idempotency.ReplayedKey)); got != c.want {
				t.Errorf("call %d: replayed %q, want %q (%v)", i, got, c.want, err)
			}
		}
	})
}

func first(values []string) string {
	if len(values) == 0 {
		return ""
	}
	return values[0]
}

// What an owner told of its answer goes on to the caller of the one who asked, and nothing else does.
func TestWhatAnOwnerToldOfItsAnswerIsPassedOn(t *testing.T) {
	for what, c := range map[string]struct {
		owner metadata.MD
		want  string
	}{
		"an answer of before": {metadata.Pairs(idempotency.ReplayedKey, "true", "x-inner", "secret"), "true"},
		"an answer of now":    {metadata.Pairs("x-inner", "secret"), ""},
		"nothing":             {nil, ""},
	} {
		call := &told{}
		idempotency.PassOn(grpc.NewContextWithServerTransportStream(context.Background(), call), c.owner)
		if got := first(call.header.Get(idempotency.ReplayedKey)); got != c.want || len(call.header.Get("x-inner")) > 0 {
			t.Errorf("%s: %v, want %q", what, call.header, c.want)
		}
	}
}
