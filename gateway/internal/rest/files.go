package rest

import (
	"context"
	"mime"
	"net/http"
	"strings"

	"github.com/grpc-ecosystem/grpc-gateway/v2/runtime"
	"google.golang.org/protobuf/proto"

	"coldsection.example/gateway/internal/feed"
)

// file is an answer of the contract that holds a file.
type file interface {
	GetContent() []byte
	GetMediaType() string
	GetFileName() string
}

// upload is a file that a person brought: it is saved, never shown in the place of a page of ours.
type upload interface {
	file
	GetSha256() string
	GetUploader() string
}

// accepted is what a caller wants, as the mapping knows it: a type that has a form of its own when it is named first, and else the
// wildcard. Without it a body of JSON would be answered with JSON, whatever picture its caller accepts.
func accepted(accept string) string {
	first, _, _ := strings.Cut(accept, ",")
	first, _, _ = strings.Cut(first, ";")
	if first = strings.TrimSpace(first); first == "application/json" || first == feed.BatchType {
		return first
	}
	return runtime.MIMEWildcard
}

// files answers with the file itself where a message holds one, and with JSON everywhere else. A caller that accepts
// application/json and nothing before it gets JSON with the file in base64.
type files struct{ *runtime.JSONPb }

// ContentType is that of the file.
func (f files) ContentType(v any) string {
	if m, ok := v.(file); ok {
		return m.GetMediaType()
	}
	return f.JSONPb.ContentType(v)
}

// Marshal gives the file.
func (f files) Marshal(v any) ([]byte, error) {
	if m, ok := v.(file); ok {
		return m.GetContent(), nil
	}
	return f.JSONPb.Marshal(v)
}

// fileHeaders names the file, and lets nothing in it run: a drawing may be shown, and is not a page.
func fileHeaders(_ context.Context, w http.ResponseWriter, m proto.Message) error {
	f, ok := m.(file)
	if !ok {
		return nil
	}
	disposition := "inline"
	if up, ok := m.(upload); ok {
		disposition = "attachment"
		w.Header().Set("ETag", `"`+up.GetSha256()+`"`)
	}
	w.Header().Set("Content-Disposition", mime.FormatMediaType(disposition, map[string]string{"filename": f.GetFileName()}))
	w.Header().Set("Content-Security-Policy", "default-src 'none'; style-src 'unsafe-inline'; sandbox")
	w.Header().Set("X-Content-Type-Options", "nosniff")
	return nil
}
