package store

import (
	"context"
	"time"

	"coldsection.example/services/platform/storage"
)

// Fitting is when an engine was on an aircraft, by civil days; the last day is empty while it is there.
type Fitting struct{ Aircraft, FirstDay, LastDay string }

// Fitted says whether compliance was asked where an engine was fitted.
func Fitted(ctx context.Context, tx *storage.Tx, engine string) (bool, error) {
	var n int64
	err := tx.QueryRow(ctx, "SELECT COALESCE(MAX(fitted), 0) FROM engine_profiles WHERE name = $1", engine).Scan(&n)
	return n > 0, err
}

// FittingsOf are where an engine was fitted, as far as it is known here.
func FittingsOf(ctx context.Context, tx *storage.Tx, engine string) ([]Fitting, error) {
	return storage.Collect(ctx, tx, func(row storage.Scanner) (f Fitting, err error) {
		err = row.Scan(&f.Aircraft, &f.FirstDay, &f.LastDay)
		return f, err
	}, "SELECT aircraft, install_day, remove_day FROM engine_fittings WHERE engine = $1 ORDER BY install_day, aircraft", engine)
}

// SaveFittings keeps where an engine was fitted, instead of what was known before.
func SaveFittings(ctx context.Context, tx *storage.Tx, engine string, fittings []Fitting) error {
	if _, err := tx.Exec(ctx, "DELETE FROM engine_fittings WHERE engine = $1", engine); err != nil {
		return err
	}
	for _, f := range fittings {
		_, err := tx.Exec(ctx, `INSERT INTO engine_fittings (engine, aircraft, install_day, remove_day) VALUES ($1, $2, $3, $4)
			ON CONFLICT (engine, aircraft, install_day) DO UPDATE SET remove_day = excluded.remove_day`, engine, f.Aircraft, f.FirstDay, f.LastDay)
		if err != nil {
			return err
		}
	}
	_, err := tx.Exec(ctx, "UPDATE engine_profiles SET fitted = 1 WHERE name = $1", engine)
	return err
}

// Beside is another engine and the days on which both were on one aircraft; the last is empty while they are.
type Beside struct{ Engine, FirstDay, LastDay string }

// TwinOf is the other engine of a two-engined aircraft on a day; ok is false without one, or with several others.
func TwinOf(ctx context.Context, tx *storage.Tx, engine string, at time.Time) (b Beside, ok bool, err error) {
	day := at.Format(time.DateOnly)
	found, err := storage.Collect(ctx, tx, func(row storage.Scanner) (b Beside, err error) {
		var first, last string
		err = row.Scan(&b.Engine, &b.FirstDay, &b.LastDay, &first, &last)
		b.FirstDay = max(b.FirstDay, first)
		if b.LastDay == "" || last != "" && last < b.LastDay {
			b.LastDay = last
		}
		return b, err
	}, `SELECT b.engine, a.install_day, a.remove_day, b.install_day, b.remove_day
		FROM engine_fittings a JOIN engine_fittings b ON b.aircraft = a.aircraft AND b.engine <> a.engine
		WHERE a.engine = $1 AND a.install_day <= $2 AND (a.remove_day = '' OR a.remove_day >= $2)
		AND b.install_day <= $2 AND (b.remove_day = '' OR b.remove_day >= $2) ORDER BY b.engine`, engine, day)
	if err != nil || len(found) != 1 {
		return Beside{}, false, err
	}
	return found[0], true, nil
}
