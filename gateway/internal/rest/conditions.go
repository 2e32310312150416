package rest

import (
	"net/http"
	"strings"
)

// IfMatchKey is the gRPC metadata that carries the header If-Match.
const IfMatchKey = "if-match"

// unlessMatched answers 304 instead of a resource whose etag the reader has already: If-None-Match of RFC 9110 section
// 13.1.2, which compares weakly.
type unlessMatched struct {
	http.ResponseWriter

	had     []string
	decided bool
	same    bool
}

// conditional wraps the answer to a read that has the header If-None-Match.
func conditional(w http.ResponseWriter, r *http.Request) http.ResponseWriter {
	given := strings.Join(r.Header.Values("If-None-Match"), ",")
	if given == "" || r.Method != http.MethodGet {
		return w
	}
	u := &unlessMatched{ResponseWriter: w}
	for etag := range strings.SplitSeq(given, ",") {
		u.had = append(u.had, strings.TrimPrefix(strings.TrimSpace(etag), "W/"))
	}
	return u
}

// WriteHeader sends the status, or 304 in place of 200.
func (u *unlessMatched) WriteHeader(status int) {
	if u.decided {
		return
	}
	u.decided = true
	u.same = status == http.StatusOK && u.known()
	if u.same {
		u.Header().Del("Content-Type")
		status = http.StatusNotModified
	}
	u.ResponseWriter.WriteHeader(status)
}

// known says whether the reader named the answer's etag; "*" is any.
func (u *unlessMatched) known() bool {
	etag := u.Header().Get("ETag")
	for _, had := range u.had {
		if etag != "" && (had == etag || had == "*") {
			return true
		}
	}
	return false
}

// Write sends the body; a 304 has none.
func (u *unlessMatched) Write(body []byte) (int, error) {
	u.WriteHeader(http.StatusOK)
	if u.same {
		return len(body), nil
	}
	return u.ResponseWriter.Write(body)
}
