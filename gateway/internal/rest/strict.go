package rest

import (
	"bytes"
	"cmp"
	"encoding/json"
	"errors"
	"io"
	"mime"
	"net/http"
	"net/url"
	"os"
	"regexp"
	"slices"
	"strings"
	"unicode/utf8"

	"github.com/grpc-ecosystem/grpc-gateway/v2/runtime"

	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/rpc"
)

// strict refuses what the mapping to the contract would pass over in silence: query parameters that it does not know, a body
// that is too large, is no JSON or is followed by something. It runs once the path and the method are known.
func strict(routes map[string]route) runtime.Middleware {
	return func(next runtime.HandlerFunc) runtime.HandlerFunc {
		return func(w http.ResponseWriter, r *http.Request, params map[string]string) {
			if p, ok := r.Context().Value(probing{}).(*bool); ok {
				*p = true // somebody asks only whether the path takes this method
				return
			}
			var asked route
			pattern, ok := runtime.HTTPPattern(r.Context())
			if ok {
				asked = routes[r.Method+" "+pattern.String()]
			}
			body, err := checkBody(w, r, asked.largest())
			if ok && err == nil {
				asked.tell(w.Header(), r.URL.Query(), body)
				err = cmp.Or(checkPath(r.URL.Path), asked.checkQuery(r.URL.RawQuery), asked.checkNone(body))
			}
			if err != nil {
				Refuse(w, err)
				return
			}
			spellMask(r.URL)
			next(w, r, params)
		}
	}
}

// spellMask reads the fields of an update mask as JSON spells them (displayName): the mapping takes parameters of this type in
// the contract's own spelling only.
func spellMask(u *url.URL) {
	query := u.Query()
	changed := false
	for _, name := range []string{"updateMask", "update_mask"} {
		for i, paths := range query[name] {
			paths = strings.Join(strings.FieldsFunc(paths, func(r rune) bool { return r == ' ' }), "") // as people write lists, "a, b"
			query[name][i], changed = capital.ReplaceAllStringFunc(paths, func(c string) string { return "_" + strings.ToLower(c) }), true
		}
	}
	if changed {
		u.RawQuery = query.Encode()
	}
}

var capital = regexp.MustCompile("[A-Z]")

// checkPath refuses a path with bytes that are no text. Reason: REQUEST_UNREADABLE.
func checkPath(path string) error {
	if utf8.ValidString(path) {
		return nil
	}
	return fault.Invalid("", "REQUEST_UNREADABLE", "The path %.100q has bytes that are no UTF-8 text. Escape the name in it as UTF-8 and send it again.", path)
}

// checkQuery refuses parameters that name no field of the request, or one that the path or the body brings. Reasons:
// UNKNOWN_FIELD, REQUEST_UNREADABLE.
func (t route) checkQuery(raw string) error {
	query, err := url.ParseQuery(raw)
	if err != nil {
		return fault.Invalid("", "REQUEST_UNREADABLE", "The query can't be read: %v. Escape it and send it again.", err)
	}
	for name, values := range query {
		if !utf8.ValidString(name + strings.Join(values, "")) {
			return fault.Invalid("", "REQUEST_UNREADABLE", "The query parameter %.40q has bytes that are no UTF-8 text. Escape it as UTF-8 and send it again.", name)
		}
		if !t.takes(name) {
			return fault.Invalid(name, "UNKNOWN_FIELD",
				"The request has a query parameter that the contract does not know here: %q. Leave it out or correct its name.", name)
		}
	}
	return nil
}

// checkNone refuses a body where none is read: an etag in the body of a DELETE would be no condition of it. An empty object and null, which libraries
// write where nothing is given, say nothing. Reason: UNKNOWN_FIELD.
func (t route) checkNone(body []byte) error {
	if text := strings.Join(strings.Fields(string(body)), ""); t.body != "" || slices.Contains([]string{"", "{}", "null"}, text) {
		return nil
	}
	return fault.Invalid("", "UNKNOWN_FIELD", "The request has a body, and this method reads none here. Give its fields as query parameters; /reference lists them.")
}

// charsets are the names under which JSON in UTF-8 is sent; utf8 is not registered, and many clients write it.
var charsets = []string{"", "utf-8", "utf8", "us-ascii"}

// checkBody reads the body, of up to so many bytes, once, returns it and leaves it to be read again. Reasons: REQUEST_TOO_LARGE, REQUEST_TOO_SLOW, CONTENT_TYPE_UNSUPPORTED,
// REQUEST_UNREADABLE.
func checkBody(w http.ResponseWriter, r *http.Request, limit int64) ([]byte, error) {
	text, err := io.ReadAll(http.MaxBytesReader(w, r.Body, limit))
	if large, ok := errors.AsType[*http.MaxBytesError](err); ok {
		return nil, rpc.TooLarge(large.Limit)
	}
	if errors.Is(err, os.ErrDeadlineExceeded) {
		return nil, TooSlow(err)
	}
	if err != nil {
		return nil, fault.Invalid("", "REQUEST_UNREADABLE", "The body ended early. Send the request again.").Because(err)
	}
	r.Body = io.NopCloser(bytes.NewReader(text))
	if len(bytes.TrimSpace(text)) == 0 {
		return nil, nil
	}
	kind, parameters, _ := mime.ParseMediaType(r.Header.Get("Content-Type"))
	if !strings.EqualFold(kind, "application/json") || !slices.Contains(charsets, strings.ToLower(parameters["charset"])) {
		return nil, fault.Invalid("", "CONTENT_TYPE_UNSUPPORTED", "The body's Content-Type is %q. Send JSON as application/json, in UTF-8.",
			r.Header.Get("Content-Type"))
	}
	if as := r.Header.Get("Content-Encoding"); as != "" && !strings.EqualFold(as, "identity") {
		return nil, fault.Invalid("", "CONTENT_TYPE_UNSUPPORTED", "The body's Content-Encoding is %q. Send it as it is, without one.", as)
	}
	return text, oneValue(text)
}

// oneValue refuses anything after the first JSON value; what is wrong inside of it is said by those who decode it.
func oneValue(text []byte) error {
	d := json.NewDecoder(bytes.NewReader(text))
	var first json.RawMessage
	if err := d.Decode(&first); err != nil {
		return nil //nolint:nilerr // the decoder of the request says more of it
	}
	if _, err := d.Token(); !errors.Is(err, io.EOF) {
		return fault.Invalid("", "REQUEST_UNREADABLE", "The body goes on after its JSON value, at byte %d. Send one JSON value.",
			d.InputOffset())
	}
	return nil
}
