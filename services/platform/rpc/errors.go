package rpc

import (
	"context"
	"errors"
	"strconv"
	"time"

	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/protoadapt"
	"google.golang.org/protobuf/types/known/durationpb"

	"coldsection.example/services/platform/fault"
)

// Domain is the domain of every ErrorInfo of the suite.
const Domain = "coldsection"

// categories is the one table from refusals to gRPC codes.
var categories = map[fault.Category]codes.Code{
	fault.Internal:           codes.Internal,
	fault.InvalidArgument:    codes.InvalidArgument,
	fault.FailedPrecondition: codes.FailedPrecondition,
	fault.NotFound:           codes.NotFound,
	fault.AlreadyExists:      codes.AlreadyExists,
	fault.Aborted:            codes.Aborted,
	fault.PermissionDenied:   codes.PermissionDenied,
	fault.Unauthenticated:    codes.Unauthenticated,
	fault.ResourceExhausted:  codes.ResourceExhausted,
	fault.Unavailable:        codes.Unavailable,
	fault.OutOfRange:         codes.OutOfRange,
	fault.DeadlineExceeded:   codes.DeadlineExceeded,
	fault.Canceled:           codes.Canceled,
	fault.Unimplemented:      codes.Unimplemented,
}

// codeNames are the codes as they stand on the wire, which is not how gRPC's Go library spells them.
var codeNames = map[fault.Category]string{
	fault.Internal: "INTERNAL", fault.InvalidArgument: "INVALID_ARGUMENT", fault.FailedPrecondition: "FAILED_PRECONDITION",
	fault.NotFound: "NOT_FOUND", fault.AlreadyExists: "ALREADY_EXISTS", fault.Aborted: "ABORTED",
	fault.PermissionDenied: "PERMISSION_DENIED", fault.Unauthenticated: "UNAUTHENTICATED", fault.ResourceExhausted: "RESOURCE_EXHAUSTED",
	fault.Unavailable: "UNAVAILABLE", fault.OutOfRange: "OUT_OF_RANGE", fault.Unimplemented: "UNIMPLEMENTED",
	fault.DeadlineExceeded: "DEADLINE_EXCEEDED", fault.Canceled: "CANCELED",
}

// CodeName is the name of a category's gRPC code, such as INVALID_ARGUMENT.
func CodeName(c fault.Category) string { return codeNames[c] }

// ToStatus turns an error into what goes on the wire: a refusal with its reason, or a fixed text for everything else.
func ToStatus(err error) error {
	if err == nil {
		return nil
	}
	if f, ok := fault.As(err); ok {
		return withDetails(f)
	}
	if s, ok := status.FromError(err); ok {
		if f, ended := fault.As(FromStatus(err)); ended && ownReasons[s.Code()] == f.Reason {
			return withDetails(f)
		}
		return s.Err()
	}
	switch {
	case errors.Is(err, context.Canceled):
		return withDetails(called("CALL_CANCELED"))
	case errors.Is(err, context.DeadlineExceeded):
		return withDetails(called("DEADLINE_EXCEEDED"))
	default:
		return withDetails(fault.New(fault.Internal, "INTERNAL",
			"Something went wrong inside. Nothing half done was kept; try again, and report the request id if it stays."))
	}
}

// ownReasons are the reasons of what gRPC itself answers, which gives none.
var ownReasons = map[codes.Code]string{
	codes.Unavailable: "SERVICE_UNREACHABLE", codes.DeadlineExceeded: "DEADLINE_EXCEEDED", codes.Canceled: "CALL_CANCELED",
}

// called is the refusal of a call that was ended before its answer.
func called(reason string) *fault.Error {
	switch reason {
	case "CALL_CANCELED":
		return fault.New(fault.Canceled, "CALL_CANCELED",
			"The caller ended the call. What it asked for may have happened; send it again with the same idempotency key to find out.")
	case "SERVICE_UNREACHABLE":
		return fault.New(fault.Unavailable, "SERVICE_UNREACHABLE",
			"The service that the call is for can't be reached. What it asked for may have happened; send it again in a moment with the same idempotency key.")
	default:
	}
	return fault.New(fault.DeadlineExceeded, "DEADLINE_EXCEEDED",
		"The call was not done in its time and was ended. What it asked for may have happened; send it again with the same idempotency key.")
}

// ended is what a call failed of whose time ran out, or whose caller left: whatever went wrong then went wrong because of that.
func ended(ctx context.Context, err error) error {
	if _, refused := fault.As(err); refused || ctx.Err() == nil {
		return err
	}
	if errors.Is(ctx.Err(), context.Canceled) {
		return called("CALL_CANCELED").Because(err)
	}
	return called("DEADLINE_EXCEEDED").Because(err)
}

func withDetails(f *fault.Error) error {
	s := status.New(categories[f.Category], short(f.Message, maxSentence))
	violations := briefViolations(f.Violations)
	details := []protoadapt.MessageV1{&errdetails.ErrorInfo{Reason: f.Reason, Domain: Domain, Metadata: briefFacts(f, len(violations))}}
	if len(violations) > 0 {
		bad := &errdetails.BadRequest{}
		for _, v := range violations {
			bad.FieldViolations = append(bad.FieldViolations, &errdetails.BadRequest_FieldViolation{
				Field: v.Field, Description: v.Description, Reason: v.Reason,
			})
		}
		details = append(details, bad)
	}
	if seconds, err := strconv.Atoi(f.Metadata["retry_after_seconds"]); err == nil {
		details = append(details, &errdetails.RetryInfo{RetryDelay: durationpb.New(time.Duration(seconds) * time.Second)})
	}
	full, err := s.WithDetails(details...)
	if err != nil {
		return s.Err()
	}
	return full.Err()
}

// FromStatus turns what came over the wire back into a refusal, so that a caller can branch on its reason.
func FromStatus(err error) error {
	s, ok := status.FromError(err)
	if err == nil || !ok {
		return err
	}
	f := fault.New(fault.Internal, "UNKNOWN", "%s", s.Message())
	for c, code := range categories {
		if code == s.Code() {
			f.Category = c
		}
	}
	for _, d := range s.Details() {
		switch d := d.(type) {
		case *errdetails.ErrorInfo:
			f.Reason, f.Metadata = d.GetReason(), d.GetMetadata()
		case *errdetails.BadRequest:
			for _, v := range d.GetFieldViolations() {
				f.Violations = append(f.Violations, fault.Violation{Field: v.GetField(), Description: v.GetDescription(), Reason: v.GetReason()})
			}
		}
	}
	if own := ownReasons[s.Code()]; own != "" && f.Reason == "UNKNOWN" { // gRPC's own words name machines of the suite, and no next move
		return called(own).Because(err)
	}
	return f
}
