package storage

import (
	"context"
	"database/sql/driver"
	"errors"
	"io"
	"net"
	"strings"

	"github.com/jackc/pgx/v5/pgconn"

	"coldsection.example/services/platform/fault"
)

// lost says of a change whose connection to PostgreSQL broke that nobody knows what came of it: its commit may have been done and its answer lost.
// Its key finds out. Reason: STORE_UNAVAILABLE.
func lost(err error) error {
	if _, refused := fault.As(err); refused || !broken(err) {
		return err
	}
	return unknown(err)
}

// unknown is the refusal of a change that may have been done.
func unknown(err error) error {
	if errors.Is(err, context.Canceled) || errors.Is(err, context.DeadlineExceeded) {
		return err
	}
	return fault.New(fault.Unavailable, "STORE_UNAVAILABLE",
		"The connection to the store broke. What was asked for may have happened; send it again with the same idempotency key.").Because(err)
}

// broken reports whether an error is that of a connection that ended or of a server that ends it, and not that of a call whose time is over.
func broken(err error) bool {
	if err == nil || errors.Is(err, context.Canceled) || errors.Is(err, context.DeadlineExceeded) {
		return false
	}
	if said, ok := errors.AsType[*pgconn.PgError](err); ok { // PostgreSQL manual, appendix A: connection exceptions and the server's own end
		return strings.HasPrefix(said.Code, "08") || said.Code == "57P01" || said.Code == "57P02" || said.Code == "57P03"
	}
	_, network := errors.AsType[*net.OpError](err)
	return network || errors.Is(err, io.ErrUnexpectedEOF) || errors.Is(err, driver.ErrBadConn) || errors.Is(err, net.ErrClosed)
}

// undone says of a change that PostgreSQL itself took back why, where trying again helps: others came in between time after time, or the server
// has no room, no connection or no right to write, as one that became a standby. Reasons: STORE_CONTENDED, STORE_UNAVAILABLE.
func undone(err error) error {
	code := postgresCode(err)
	switch {
	case isRace(err):
		return fault.New(fault.Aborted, "STORE_CONTENDED", "Others changed the same things at the same moment, time after time. Nothing was changed; send it again.").Because(err)
	case strings.HasPrefix(code, "53"), code == "25006": // PostgreSQL manual, appendix A: insufficient resources; read-only transaction
		return fault.New(fault.Unavailable, "STORE_UNAVAILABLE", "The store takes no changes now. Nothing was changed; try again, and tell the operator if it stays so.").Because(err)
	default:
		return err
	}
}
