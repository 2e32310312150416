package store

import (
	"context"
	"slices"
	"time"

	compliancev1 "coldsection.example/proto/coldsection/compliance/v1"
	"coldsection.example/services/platform/resource"
	"coldsection.example/services/platform/storage"
)

// partBytes is how much of a pack a row holds.
const partBytes = 1 << 20

// PackParts keeps the bytes of a pack in rows, as they are written. Close keeps the rest.
type PackParts struct {
	write func(part int64, content []byte) error
	rest  []byte
	parts int64
}

// NewPackParts begins to keep the bytes of a pack.
func NewPackParts(ctx context.Context, tx *storage.Tx, name string) *PackParts {
	return &PackParts{write: func(part int64, content []byte) error {
		_, err := tx.Exec(ctx, "INSERT INTO record_pack_parts (name, part, content) VALUES ($1, $2, $3)", name, part, content)
		return err
	}}
}

// Write keeps bytes; a part that is full goes into its row.
func (p *PackParts) Write(content []byte) (int, error) {
	for at := 0; at < len(content); {
		n := min(partBytes-len(p.rest), len(content)-at)
		p.rest, at = append(p.rest, content[at:at+n]...), at+n
		if len(p.rest) == partBytes {
			if err := p.Close(); err != nil {
				return at, err
			}
		}
	}
	return len(content), nil
}

// Close keeps what was written and fills no row.
func (p *PackParts) Close() error {
	if len(p.rest) == 0 {
		return nil
	}
	err := p.write(p.parts, p.rest)
	p.rest, p.parts = p.rest[:0], p.parts+1
	return err
}

// PackBytes reads at most so many bytes of a pack that is there, from an offset on. Packs from before there were parts are in one row.
func PackBytes(ctx context.Context, tx *storage.Tx, name string, offset, limit int64) ([]byte, error) {
	parts, err := storage.Collect(ctx, tx, func(row storage.Scanner) (content []byte, err error) {
		err = row.Scan(&content)
		return content, err
	}, "SELECT content FROM record_pack_parts WHERE name = $1 AND part >= $2 AND part <= $3 ORDER BY part", name, offset/partBytes, (offset+limit-1)/partBytes)
	if err != nil {
		return nil, err
	}
	from := offset % partBytes
	if len(parts) == 0 {
		from, parts = offset, make([][]byte, 1)
		if err := tx.QueryRow(ctx, "SELECT content FROM record_pack_files WHERE name = $1", name).Scan(&parts[0]); err != nil {
			return nil, err
		}
	}
	content := slices.Concat(parts...)
	return content[min(from, int64(len(content))):min(from+limit, int64(len(content)))], nil
}

// recordsAtOnce is how many records of a pack are read at once.
const recordsAtOnce = 128

// EachRecordedOn gives all records on a subject that were known at an instant, also those that were corrected, oldest first. A correction that
// was not known yet is not named. No more than some are held at once.
func EachRecordedOn(ctx context.Context, tx *storage.Tx, subject string, known time.Time, do func(*compliancev1.Accomplishment) error) error {
	day, recorded, name := "", int64(-1<<62), ""
	for more := true; more; {
		some, err := Accomplishments.Where(ctx, tx, `subject = $1 AND create_time <= $2 AND (done_date, create_time, name) > ($3, $4, $5)
			ORDER BY done_date, create_time, name LIMIT $6`, subject, storage.Micros(known), day, recorded, name, int64(recordsAtOnce))
		if err != nil {
			return err
		}
		if err := forgetLater(ctx, tx, subject, known, some); err != nil {
			return err
		}
		for _, a := range some {
			day, recorded, name = resource.DateText(a.GetDoneDate()), storage.Micros(a.GetCreateTime().AsTime()), a.GetName()
			if err := do(a); err != nil {
				return err
			}
		}
		more = len(some) == recordsAtOnce
	}
	return nil
}

// forgetLater takes the names of corrections that were not known at an instant from records, which are not many.
func forgetLater(ctx context.Context, tx *storage.Tx, subject string, known time.Time, records []*compliancev1.Accomplishment) error {
	var later []string
	for _, a := range records {
		if a.GetSuccessor() != "" {
			later = append(later, a.GetSuccessor())
		}
	}
	if len(later) == 0 {
		return nil
	}
	in, args := In("name", 3, later)
	there, err := names(ctx, tx, "SELECT name FROM accomplishments WHERE subject = $1 AND create_time <= $2 AND "+in, append([]any{subject, storage.Micros(known)}, args...)...)
	for _, a := range records {
		if !slices.Contains(there, a.GetSuccessor()) {
			a.Successor = ""
		}
	}
	return err
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
