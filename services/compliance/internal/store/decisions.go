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

// DecisionsKnown are the newest decisions on a subject by requirement, as far as they were known at an instant.
func DecisionsKnown(ctx context.Context, tx *storage.Tx, subject string, known time.Time) (map[string]*compliancev1.ApplicabilityDecision, error) {
	out := map[string]*compliancev1.ApplicabilityDecision{}
	_, err := storage.Collect(ctx, tx, func(row storage.Scanner) (string, error) {
		var requirement string
		var body []byte
		if err := row.Scan(&requirement, &body); err != nil {
			return "", err
		}
		d := &compliancev1.ApplicabilityDecision{}
		out[requirement] = d
		return requirement, proto.Unmarshal(body, d)
	}, "SELECT requirement, body FROM applicability_decisions WHERE subject = $1 AND record_time <= $2 ORDER BY requirement, position", subject, storage.Micros(known))
	return out, err
}
