package store

import (
	"context"
	"time"

	compliancev1 "coldsection.example/proto/coldsection/compliance/v1"
	"coldsection.example/services/platform/storage"
)

// AddPack keeps a record pack and its bytes.
func AddPack(ctx context.Context, tx *storage.Tx, p *compliancev1.RecordPack, content []byte, now time.Time) error {
	if err := RecordPacks.Insert(ctx, tx, p, now); err != nil {
		return err
	}
	_, err := tx.Exec(ctx, "INSERT INTO record_pack_files (name, content) VALUES ($1, $2)", p.GetName(), content)
	return err
}

// PackContent reads the bytes of a pack that is there.
func PackContent(ctx context.Context, tx *storage.Tx, name string) (content []byte, err error) {
	err = tx.QueryRow(ctx, "SELECT content FROM record_pack_files WHERE name = $1", name).Scan(&content)
	return content, err
}

// RecordedOn are all records on a subject that were known at an instant, also those that were corrected, oldest first. A correction that
// was not known yet is not named.
func RecordedOn(ctx context.Context, tx *storage.Tx, subject string, known time.Time) ([]*compliancev1.Accomplishment, error) {
	all, err := Accomplishments.Where(ctx, tx, "subject = $1 AND create_time <= $2 ORDER BY done_date, create_time, name", subject, storage.Micros(known))
	there := map[string]bool{}
	for _, a := range all {
		there[a.GetName()] = true
	}
	for _, a := range all {
		if !there[a.GetSuccessor()] {
			a.Successor = ""
		}
	}
	return all, err
}

// FittedKnown are the fittings that a thing or what is fitted to it had a part in, as they were known at an instant, oldest first.
func FittedKnown(ctx context.Context, tx *storage.Tx, name string, known time.Time) (all []*compliancev1.Fitting, err error) {
	kept, err := Fittings.Where(ctx, tx, "item = $1 OR host = $2 ORDER BY install_date, item, name", name, name)
	for _, f := range kept {
		if known.Before(f.GetCreateTime().AsTime()) {
			continue
		}
		if f.GetRemoveTime() != nil && known.Before(f.GetRemoveTime().AsTime()) {
			f.RemoveDate, f.RemoveTime, f.RemoveReason = nil, nil, ""
		}
		if f.GetCorrectTime() != nil && known.Before(f.GetCorrectTime().AsTime()) {
			f.Correction, f.CorrectTime, f.VoidReason, f.Voider = "", nil, "", ""
		}
		f.Etag = ""
		all = append(all, f)
	}
	return all, err
}
