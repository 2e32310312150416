package store

import (
	"context"
	"errors"

	"google.golang.org/protobuf/proto"

	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/resource"
	"coldsection.example/services/platform/storage"
)

// Revised is a resource that has revisions: its table holds the current one, this the older ones.
type Revised interface {
	proto.Message
	GetName() string
	GetRevision() int32
}

// KeepRevision keeps a revision that is about to be replaced. A revision that is kept already is refused: it never changes.
func KeepRevision(ctx context.Context, tx *storage.Tx, m Revised) error {
	body, err := proto.Marshal(m)
	if err != nil {
		return err
	}
	_, err = tx.Exec(ctx, "INSERT INTO older_revisions (name, revision, body) VALUES ($1, $2, $3)", m.GetName(), m.GetRevision(), body)
	return err
}

// ReadRevision reads a revision of a resource from its table or from the older ones; 0 is the current one. Reason:
// REVISION_UNKNOWN.
func ReadRevision[T Revised](ctx context.Context, db *storage.DB, table *resource.Table[T], name string, revision int32) (m T, err error) {
	err = db.View(ctx, func(ctx context.Context, tx *storage.Tx) error {
		if m, err = table.Get(ctx, tx, name); err != nil || revision == 0 || revision == m.GetRevision() {
			return err
		}
		var body []byte
		err := tx.QueryRow(ctx, "SELECT body FROM older_revisions WHERE name = $1 AND revision = $2", name, revision).Scan(&body)
		if errors.Is(err, storage.ErrNoRows) {
			return fault.New(fault.NotFound, "REVISION_UNKNOWN", "%s has revisions 1 to %d, not %d. Name one of those.", name, m.GetRevision(), revision)
		}
		if err != nil {
			return err
		}
		older, _ := m.ProtoReflect().New().Interface().(T)
		m = older
		return proto.Unmarshal(body, m)
	})
	return m, err
}
