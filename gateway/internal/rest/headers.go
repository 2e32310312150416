package rest

import (
	"net/http"
	"strings"

	"coldsection.example/gateway/internal/units"
	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/idempotency"
	"coldsection.example/services/platform/quantity"
)

// headers are those that go on to the services.
func headers(name string) (string, bool) {
	switch http.CanonicalHeaderKey(name) {
	case "Idempotency-Key":
		return idempotency.MetadataKey, true
	case "If-Match":
		return IfMatchKey, true
	case units.Header:
		return units.Key, true
	default:
		return "", false
	}
}

// headed refuses a request with a header that would be lost on the way to the services, which carry printable ASCII only: a change would be made
// twice, or over what its caller never saw.
type headed struct{ next http.Handler }

// ServeHTTP serves one request. Reasons: IDEMPOTENCY_KEY_INVALID, IF_MATCH_INVALID, UNIT_SYSTEM_UNKNOWN.
func (h headed) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	unquote(r.Header)
	if err := carried(r.Header); err != nil {
		Refuse(w, err)
		return
	}
	h.next.ServeHTTP(w, r)
}

func carried(h http.Header) error {
	keys := h.Values("Idempotency-Key")
	switch {
	case len(keys) > 1:
		return fault.Invalid("request_id", "IDEMPOTENCY_KEY_INVALID", "The header Idempotency-Key stands there %d times. Send one key.", len(keys))
	case len(keys) == 1 && !printable(keys[0]):
		return fault.Invalid("request_id", "IDEMPOTENCY_KEY_INVALID",
			"The idempotency key %.40q has a character that no header carries on. Send a new UUID, or leave the key out.", keys[0])
	}
	for _, etag := range h.Values("If-Match") {
		if !printable(etag) {
			return fault.Invalid("etag", "IF_MATCH_INVALID",
				"If-Match %.40q can't be read. Send one etag in double quotes, as the ETag header of the answer before had it.", etag)
		}
	}
	if system := h.Get(units.Header); !printable(system) {
		_, err := quantity.ParseSystem(system)
		return err
	}
	return nil
}

// printable says whether a text has printable ASCII only.
func printable(text string) bool {
	return !strings.ContainsFunc(text, func(r rune) bool { return r < ' ' || r > '~' })
}

// unquote reads the idempotency key, a quoted string of a structured field.
func unquote(h http.Header) {
	if key := h.Get("Idempotency-Key"); len(key) > 1 && strings.HasPrefix(key, `"`) && strings.HasSuffix(key, `"`) {
		h.Set("Idempotency-Key", key[1:len(key)-1])
	}
}
