package storage

import (
	"context"
	"database/sql/driver"
	"errors"
	"fmt"
	"io"
	"net"
	"strings"
	"testing"

	"github.com/jackc/pgx/v5/pgconn"

	"coldsection.example/services/platform/fault"
)

// Case E13: of a change whose connection broke it is said that it may have happened; every other error stays what it is.
func TestAChangeWhoseConnectionBrokeMayHaveHappened(t *testing.T) {
	for _, err := range []error{
		io.ErrUnexpectedEOF, driver.ErrBadConn, net.ErrClosed, &net.OpError{Op: "read", Err: errors.New("connection reset by peer")},
		&pgconn.PgError{Code: "57P01"}, &pgconn.PgError{Code: "08006"}, fmt.Errorf("error preprocessing batch (prepare): %w", io.ErrUnexpectedEOF),
	} {
		f, ok := fault.As(lost(err))
		if !ok || f.Category != fault.Unavailable || f.Reason != "STORE_UNAVAILABLE" || !strings.Contains(f.Message, "may have happened") || !errors.Is(f, err) {
			t.Errorf("%v becomes %v", err, f)
		}
	}
	refusal := fault.Missing("lots/a").Because(io.ErrUnexpectedEOF)
	for _, err := range []error{
		nil, context.Canceled, context.DeadlineExceeded, errors.New("a mistake"), &pgconn.PgError{Code: "23505"}, refusal,
		fmt.Errorf("%w: %w", &net.OpError{Op: "read", Err: errors.New("timeout")}, context.DeadlineExceeded),
	} {
		if got := lost(err); !errors.Is(got, err) || got != nil && got.Error() != err.Error() {
			t.Errorf("%v becomes %v", err, got)
		}
	}
}

// Case E13: what PostgreSQL took back itself is told as what can be sent again; a mistake stays one.
func TestWhatPostgreSQLTakesBackItself(t *testing.T) {
	for code, want := range map[string]fault.Category{
		"40001": fault.Aborted, "40P01": fault.Aborted, "53100": fault.Unavailable, "53200": fault.Unavailable, "53300": fault.Unavailable,
		"25006": fault.Unavailable, // a standby: read-only
	} {
		cause := &pgconn.PgError{Code: code}
		f, ok := fault.As(undone(fmt.Errorf("inserting: %w", cause)))
		if !ok || f.Category != want || !strings.Contains(f.Message, "Nothing was changed") || !errors.Is(f, cause) {
			t.Errorf("%s becomes %v", code, f)
		}
	}
	for _, err := range []error{nil, &pgconn.PgError{Code: "23505"}, &pgconn.PgError{Code: "42P01"}, errors.New("a mistake"), context.Canceled} {
		if got := undone(err); !errors.Is(got, err) || got != nil && got.Error() != err.Error() {
			t.Errorf("%v becomes %v", err, got)
		}
	}
}

// Case E13: of a commit whose answer did not come nobody says that nothing was changed.
func TestACommitWithoutAnAnswerIsUnknown(t *testing.T) {
	for _, err := range []error{io.ErrUnexpectedEOF, io.EOF, net.ErrClosed, errors.New("conn closed"), &pgconn.PgError{Code: "57P01"}} {
		f, ok := fault.As(unknown(err))
		if !ok || f.Reason != "STORE_UNAVAILABLE" || !strings.Contains(f.Message, "may have happened") || strings.Contains(f.Message, "Nothing was changed") {
			t.Errorf("%v becomes %v", err, f)
		}
	}
	for _, err := range []error{context.Canceled, context.DeadlineExceeded} {
		if got := unknown(err); !errors.Is(got, err) {
			t.Errorf("%v becomes %v", err, got)
		}
	}
}
