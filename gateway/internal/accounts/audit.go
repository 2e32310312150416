package accounts

import (
	"context"

	"google.golang.org/protobuf/proto"

	accessv1 "coldsection.example/proto/coldsection/access/v1"
	"coldsection.example/services/platform/storage"
)

const (
	auditRow = `INSERT INTO audit_events (name, version, body, account, method, target, outcome, create_time)
		VALUES ($1, $2, $3, $4, $5, $6, $7, $8) ON CONFLICT (name) DO `
	beginAudit  = auditRow + "NOTHING"
	settleAudit = auditRow + "UPDATE SET version = excluded.version, body = excluded.body, outcome = excluded.outcome"
)

// BeginAudit adds a line of the audit whose outcome is not known yet; a line that has one stays.
func BeginAudit(ctx context.Context, tx *storage.Tx, e *accessv1.AuditEvent) error {
	return putAudit(ctx, tx, beginAudit, 1, e)
}

// SettleAudit gives a line its outcome, and adds the line where it is missing.
func SettleAudit(ctx context.Context, tx *storage.Tx, e *accessv1.AuditEvent) error {
	const settled = 2
	return putAudit(ctx, tx, settleAudit, settled, e)
}

func putAudit(ctx context.Context, tx *storage.Tx, statement string, version int64, e *accessv1.AuditEvent) error {
	body, err := proto.Marshal(e)
	if err != nil {
		return err
	}
	return tx.Queue(ctx, nil, statement, e.GetName(), version, body, e.GetAccount(), e.GetMethod(), e.GetTarget(), e.GetOutcome(),
		storage.Micros(e.GetCreateTime().AsTime()))
}
