package rest

import (
	"bytes"
	"context"
	"maps"
	"net/http"
	"strconv"
	"strings"

	"google.golang.org/protobuf/proto"
)

// part is an answer of the contract that holds a part of a file.
type part interface {
	file
	GetNextOffset() int64
	GetTotalBytes() int64
}

// cursor is where the next part of a file begins, 0 after the last, and how long the file is; the request for a part carries it in its context.
type cursor struct{ next, total int64 }

type cursorKey struct{}

// partCursor tells whoever asked for a part where the next one begins.
func partCursor(ctx context.Context, _ http.ResponseWriter, m proto.Message) error {
	c, asked := ctx.Value(cursorKey{}).(*cursor)
	if p, ok := m.(part); ok && asked {
		c.next, c.total = p.GetNextOffset(), p.GetTotalBytes()
	}
	return nil
}

// partBytes is how much of a file is asked for, and held, at once.
const partBytes = 1 << 20

// whole serves files that the contract gives out in parts as one file each, part by part, so that none is held whole. Who asks for a part gets that.
type whole struct{ next http.Handler }

// ServeHTTP serves one request.
func (h whole) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	path, query := r.URL.Path, r.URL.Query()
	if r.Method != http.MethodGet || !strings.HasPrefix(path, "/v1/recordPacks/") || !strings.HasSuffix(path, ":download") || len(query) > 0 {
		h.next.ServeHTTP(w, r)
		return
	}
	c := &cursor{}
	for begun := false; !begun || c.next > 0; begun = true {
		one := r.Clone(context.WithValue(r.Context(), cursorKey{}, c))
		query.Set("offset", strconv.FormatInt(c.next, 10))
		query.Set("maxBytes", strconv.Itoa(partBytes))
		one.URL.RawQuery, c.next = query.Encode(), 0
		answer := &held{header: w.Header().Clone(), status: http.StatusOK}
		h.next.ServeHTTP(answer, one)
		if begun && answer.status != http.StatusOK {
			panic(http.ErrAbortHandler) // the connection ends, and the reader sees that the file is not whole
		}
		if !begun {
			answer.begin(w, c.total)
		}
		if _, err := w.Write(answer.body.Bytes()); err != nil {
			return
		}
	}
}

// held is an answer that is not sent yet.
type held struct {
	header http.Header
	body   bytes.Buffer
	status int
}

// Header is the answer's header.
func (h *held) Header() http.Header { return h.header }

// WriteHeader keeps the status.
func (h *held) WriteHeader(status int) { h.status = status }

// Write keeps the body.
func (h *held) Write(body []byte) (int, error) { return h.body.Write(body) }

// begin sends the header of a file of so many bytes, or of the refusal in its place.
func (h *held) begin(w http.ResponseWriter, total int64) {
	maps.Copy(w.Header(), h.header)
	if h.status == http.StatusOK && total > 0 {
		w.Header().Set("Content-Length", strconv.FormatInt(total, 10))
	}
	w.WriteHeader(h.status)
}
