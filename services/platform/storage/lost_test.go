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
