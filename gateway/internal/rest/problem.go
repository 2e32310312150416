package rest

import (
	"encoding/json"
	"net/http"
	"strings"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/rpc"
)

// Problem is a refusal as RFC 9457 asks, with the reason and metadata of the gRPC answer as extension members.
type Problem struct {
	Type       string            `json:"type"`
	Title      string            `json:"title"`
	Status     int               `json:"status"`
	Detail     string            `json:"detail"`
	Code       string            `json:"code"`
	Reason     string            `json:"reason"`
	Domain     string            `json:"domain"`
	RequestID  string            `json:"requestId,omitempty"` // as the answer's header names it
	Metadata   map[string]string `json:"metadata,omitempty"`
	Violations []Violation       `json:"violations,omitempty"`
}

// Violation is one field that is wrong.
type Violation struct {
	Field       string `json:"field"`
	Description string `json:"description"`
	Reason      string `json:"reason"`
}

// RequestIDHeader names a request, in what is asked and in what is answered.
const RequestIDHeader = "X-Request-ID"

// callerLeft is the status of an answer that nobody reads any more; HTTP has none, and this one is common practice, no source.
const callerLeft = 499

// httpStatus is the HTTP status of a category.
var httpStatus = map[fault.Category]int{
	fault.Internal: http.StatusInternalServerError, fault.InvalidArgument: http.StatusBadRequest,
	fault.FailedPrecondition: http.StatusBadRequest, fault.NotFound: http.StatusNotFound, fault.AlreadyExists: http.StatusConflict,
	fault.Aborted: http.StatusConflict, fault.PermissionDenied: http.StatusForbidden, fault.Unauthenticated: http.StatusUnauthorized,
	fault.ResourceExhausted: http.StatusTooManyRequests, fault.Unavailable: http.StatusServiceUnavailable,
	fault.OutOfRange: http.StatusBadRequest, fault.Unimplemented: http.StatusNotImplemented,
	fault.DeadlineExceeded: http.StatusGatewayTimeout, fault.Canceled: callerLeft,
}

// ownStatus has the reasons for which HTTP has a status of its own.
var ownStatus = map[string]int{
	"IDEMPOTENCY_KEY_REUSED": http.StatusUnprocessableEntity, "CONTENT_TYPE_UNSUPPORTED": http.StatusUnsupportedMediaType,
	"REQUEST_TOO_LARGE": http.StatusRequestEntityTooLarge, "METHOD_NOT_ALLOWED": http.StatusMethodNotAllowed,
	"REQUEST_TOO_SLOW": http.StatusRequestTimeout, "CURSOR_TOO_OLD": http.StatusGone, "CURSOR_AHEAD": http.StatusGone,
}

// ProblemOf describes an error for the wire.
func ProblemOf(err error) Problem {
	f, ok := fault.As(err)
	if !ok {
		f, _ = fault.As(rpc.FromStatus(rpc.ToStatus(edge(err))))
	}
	p := Problem{
		Type: "/problems/" + slug(f.Reason), Title: titleOf(f.Reason), Status: httpStatus[f.Category],
		Detail: f.Message, Code: rpc.CodeName(f.Category), Reason: f.Reason, Domain: rpc.Domain, Metadata: f.Facts(),
	}
	if own, ok := ownStatus[f.Reason]; ok {
		p.Status = own
	}
	for _, v := range f.Violations {
		p.Violations = append(p.Violations, Violation(v))
	}
	return p
}

// edge gives a reason to what the HTTP mapping itself refuses.
func edge(err error) error {
	s, ok := status.FromError(err)
	if !ok {
		return err
	}
	text := s.Message()
	switch {
	case strings.Contains(text, "unknown field"):
		return fault.Invalid("", "UNKNOWN_FIELD",
			"The request has a field that the contract does not know: %s. Leave it out or correct its name.", text)
	case s.Code() == codes.InvalidArgument:
		return fault.Invalid("", "REQUEST_UNREADABLE", "The request can't be read: %s. Correct it and send it again.", text)
	case s.Code() == codes.NotFound || s.Code() == codes.Unimplemented:
		return fault.New(fault.NotFound, "PATH_UNKNOWN", "There is no such path or method. Correct it; /reference and /openapi.json list every path.")
	default:
		return err
	}
}

// titleOf makes words of a reason: "Lot expired".
func titleOf(reason string) string {
	words := strings.ToLower(strings.ReplaceAll(reason, "_", " "))
	if words == "" {
		return "Refused"
	}
	return strings.ToUpper(words[:1]) + words[1:]
}

// Refuse answers with a problem.
func Refuse(w http.ResponseWriter, err error) { ProblemOf(err).send(w) }

func (p Problem) send(w http.ResponseWriter) {
	p.RequestID = w.Header().Get(RequestIDHeader)
	w.Header().Set("Content-Type", "application/problem+json")
	if wait := p.Metadata["retry_after_seconds"]; wait != "" {
		w.Header().Set("Retry-After", wait)
	}
	w.WriteHeader(p.Status)
	if text, err := json.Marshal(p); err == nil {
		_, _ = w.Write(text) // a caller who left needs no answer
	}
}
