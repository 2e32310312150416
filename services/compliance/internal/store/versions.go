package store

import (
	"context"
	"time"

	"google.golang.org/protobuf/proto"

	"coldsection.example/services/platform/resource"
	"coldsection.example/services/platform/storage"
)

// AddVersion keeps what a resource says now, to be read again as it was known then.
func AddVersion(ctx context.Context, tx *storage.Tx, m proto.Message, now time.Time) error {
	body, err := proto.Marshal(m)
	if err != nil {
		return err
	}
	var last int64
	if err := tx.QueryRow(ctx, "SELECT COALESCE(MAX(version), 0) FROM versions WHERE name = $1", resource.Name(m)).Scan(&last); err != nil {
		return err
	}
	_, err = tx.Exec(ctx, "INSERT INTO versions (name, version, record_time, body) VALUES ($1, $2, $3, $4)", resource.Name(m), last+1, storage.Micros(now), body)
	return err
}

// VersionKnown reads into m what a resource said as it was known at an instant; false when it was not known then.
func VersionKnown(ctx context.Context, tx *storage.Tx, name string, known time.Time, m proto.Message) (bool, error) {
	return version(ctx, tx, m, "SELECT body FROM versions WHERE name = $1 AND record_time <= $2 ORDER BY version DESC LIMIT 1", name, storage.Micros(known))
}

// FirstVersionKnown reads into m what a resource said when it was first recorded; false when that was after the instant.
func FirstVersionKnown(ctx context.Context, tx *storage.Tx, name string, known time.Time, m proto.Message) (bool, error) {
	return version(ctx, tx, m, "SELECT body FROM versions WHERE name = $1 AND record_time <= $2 ORDER BY version LIMIT 1", name, storage.Micros(known))
}

func version(ctx context.Context, tx *storage.Tx, m proto.Message, query string, args ...any) (bool, error) {
	found, err := storage.Collect(ctx, tx, func(row storage.Scanner) (body []byte, err error) {
		err = row.Scan(&body)
		return body, err
	}, query, args...)
	if err != nil || len(found) == 0 {
		return false, err
	}
	return true, proto.Unmarshal(found[0], m)
}

// NamesKnown are the resources of a collection, such as "requirements", that were known at an instant.
func NamesKnown(ctx context.Context, tx *storage.Tx, collection string, known time.Time) ([]string, error) {
	return names(ctx, tx, "SELECT DISTINCT name FROM versions WHERE name >= $1 AND name < $2 AND record_time <= $3 ORDER BY name",
		collection+"/", collection+"0", storage.Micros(known))
}

// Everything is the names of all that requirements are held against, each aircraft with its engines, each engine with its components: they are often
// worked on together, so that their records lie together too.
func Everything(ctx context.Context, tx *storage.Tx) ([]string, error) {
	return names(ctx, tx, `SELECT name FROM (SELECT name, name AS around FROM aircraft
		UNION ALL SELECT name, CASE WHEN aircraft = '' THEN name ELSE aircraft END FROM engines
		UNION ALL SELECT name, CASE WHEN host = '' THEN name ELSE host END FROM components) AS everything ORDER BY around, name`)
}
