package store

import (
	"context"
	"time"

	"google.golang.org/protobuf/proto"

	compliancev1 "coldsection.example/proto/coldsection/compliance/v1"
	"coldsection.example/services/platform/storage"
)

// AddDecision keeps a decision on whether a requirement applies to an engine.
func AddDecision(ctx context.Context, tx *storage.Tx, requirement, subject string, d *compliancev1.ApplicabilityDecision, now time.Time) error {
	body, err := proto.Marshal(d)
	if err != nil {
		return err
	}
	var last int64
	if err := tx.QueryRow(ctx, "SELECT COALESCE(MAX(position), 0) FROM applicability_decisions WHERE requirement = $1 AND subject = $2", requirement, subject).Scan(&last); err != nil {
		return err
	}
	_, err = tx.Exec(ctx, "INSERT INTO applicability_decisions (requirement, subject, record_time, position, body) VALUES ($1, $2, $3, $4, $5)",
		requirement, subject, storage.Micros(now), last+1, body)
	return err
}

// DecisionKnown is the newest decision, as far as it was known at an instant; nil when there was none.
func DecisionKnown(ctx context.Context, tx *storage.Tx, requirement, subject string, known time.Time) (*compliancev1.ApplicabilityDecision, error) {
	found, err := storage.Collect(ctx, tx, func(row storage.Scanner) (*compliancev1.ApplicabilityDecision, error) {
		var body []byte
		if err := row.Scan(&body); err != nil {
			return nil, err
		}
		d := &compliancev1.ApplicabilityDecision{}
		return d, proto.Unmarshal(body, d)
	}, "SELECT body FROM applicability_decisions WHERE requirement = $1 AND subject = $2 AND record_time <= $3 ORDER BY position DESC LIMIT 1",
		requirement, subject, storage.Micros(known))
	if err != nil || len(found) == 0 {
		return nil, err
	}
	return found[0], nil
}
