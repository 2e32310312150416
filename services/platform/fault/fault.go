// Package fault is the one error type of the suite: a category, a stable machine reason and a sentence for a person.
//
// Every refusal names the thing, the rule and the next move. Pure cores return these values; package rpc maps the
// category to a gRPC code and the gateway maps that to RFC 9457 problem+json, so the reason is the same on both sides.
// Any error that is not a *Error is INTERNAL on the wire: its text goes to the log and never to the caller.
package fault

import (
	"errors"
	"fmt"
	"maps"
)

// Category says what kind of refusal this is; it decides the gRPC code and the HTTP status.
type Category int

// The categories, each with the gRPC code of the same name.
const (
	Internal Category = iota
	InvalidArgument
	FailedPrecondition
	NotFound
	AlreadyExists
	Aborted
	PermissionDenied
	Unauthenticated
	ResourceExhausted
	Unavailable
	OutOfRange
	DeadlineExceeded
	Canceled
	Unimplemented
)

// Violation names one field of a request and what is wrong with it.
type Violation struct {
	Field       string // path in the request, snake_case, "" when the whole request is meant
	Description string // the rule and the next move, in words
	Reason      string // UPPER_SNAKE_CASE
}

// Error is a refusal. Fields are set through the constructors and With; treat a returned value as read-only.
type Error struct {
	Category   Category
	Reason     string // UPPER_SNAKE_CASE, at most 63 characters, stable for ever
	Message    string // names the thing, the rule and the next move
	Metadata   map[string]string
	Violations []Violation
	cause      error
	said       []string // the values that the sentence was filled with, as they stand in it
}

// Error returns the sentence for a person.
func (e *Error) Error() string { return e.Message }

// Unwrap returns the cause given to Because, which is logged and never sent.
func (e *Error) Unwrap() error { return e.cause }

// With returns a copy that carries one more metadata pair, such as the resource name or the allowed values.
func (e *Error) With(key, value string) *Error {
	c := *e
	c.Metadata = maps.Clone(e.Metadata)
	if c.Metadata == nil {
		c.Metadata = map[string]string{}
	}
	c.Metadata[key] = value
	return &c
}

// Because returns a copy that wraps the cause for the log.
func (e *Error) Because(cause error) *Error {
	c := *e
	c.cause = cause
	return &c
}

// New makes an error of any category; prefer the named constructors.
func New(c Category, reason, format string, args ...any) *Error {
	return &Error{Category: c, Reason: reason, Message: fmt.Sprintf(format, args...), said: values(format, args)}
}

// Invalid refuses one request field.
func Invalid(field, reason, format string, args ...any) *Error {
	e := New(InvalidArgument, reason, format, args...)
	e.Violations = []Violation{{Field: field, Description: e.Message, Reason: reason}}
	return e
}

// Precondition refuses because the state of a thing does not allow the request.
func Precondition(reason, format string, args ...any) *Error {
	return New(FailedPrecondition, reason, format, args...)
}

// Missing says that no resource of this name exists, or that the caller may not know of it.
func Missing(resource string) *Error {
	return New(NotFound, "NOT_FOUND", "There is no %q. Check the name, or list the collection.", resource).With("resource", resource)
}

// Exists refuses to create what is there already.
func Exists(resource string) *Error {
	return New(AlreadyExists, "ALREADY_EXISTS", "%q exists already. Use another id, or update it.", resource).With("resource", resource)
}

// StaleEtag refuses a write based on an older version than the current one.
func StaleEtag(resource string) *Error {
	return New(Aborted, "ETAG_MISMATCH", "%q changed since you read it. Read it again and repeat the change on the new version.",
		resource).With("resource", resource)
}

// Denied refuses a caller whose role does not allow the method.
func Denied(reason, format string, args ...any) *Error {
	return New(PermissionDenied, reason, format, args...)
}

// As returns the *Error inside err, if there is one.
func As(err error) (*Error, bool) {
	var e *Error
	ok := errors.As(err, &e)
	return e, ok
}

// Undecided says that an answer, although no success, is no judgement of the request: the same one may succeed later.
func Undecided(err error) bool {
	e, ok := As(err)
	return err != nil && (!ok || e.Category == Internal || e.Category == Unavailable || e.Category == DeadlineExceeded || e.Category == Canceled)
}

// HasReason reports whether err carries this reason.
func HasReason(err error, reason string) bool {
	e, ok := As(err)
	return ok && e.Reason == reason
}
