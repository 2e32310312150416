package store

import (
	"context"
	"time"

	"coldsection.example/services/platform/storage"
)

// AddFollowers keeps which engines followed an entry of flying.
func AddFollowers(ctx context.Context, tx *storage.Tx, utilization string, engines []string) error {
	if len(engines) == 0 {
		engines = []string{""}
	}
	for _, e := range engines {
		if _, err := tx.Exec(ctx, "INSERT INTO utilization_engines (utilization, engine) VALUES ($1, $2)", utilization, e); err != nil {
			return err
		}
	}
	return nil
}

// FollowersOf are the engines that followed an entry, and false when that was not recorded.
func FollowersOf(ctx context.Context, tx *storage.Tx, utilization string) (engines []string, known bool, err error) {
	rows, err := storage.Collect(ctx, tx, func(row storage.Scanner) (name string, err error) {
		err = row.Scan(&name)
		return name, err
	}, "SELECT engine FROM utilization_engines WHERE utilization = $1 ORDER BY engine", utilization)
	for _, name := range rows {
		if name != "" {
			engines = append(engines, name)
		}
	}
	return engines, len(rows) > 0, err
}

// CounterCorrection is by how much a correction of flying moved an engine's counters, and which records may be wrong by it.
type CounterCorrection struct {
	Engine, Utilization string // the engine; the entry that corrects
	FlightDate          string // YYYY-MM-DD; work before that day is not touched
	First, Corrected    time.Time
	Seconds             int64
	Cycles, Starts      int64
}

// AddCorrection keeps a correction.
func AddCorrection(ctx context.Context, tx *storage.Tx, c CounterCorrection) error {
	_, err := tx.Exec(ctx, `INSERT INTO counter_corrections (engine, utilization, flight_date, first_time, correct_time, operating_seconds, cycles, starts)
		VALUES ($1, $2, $3, $4, $5, $6, $7, $8)`,
		c.Engine, c.Utilization, c.FlightDate, storage.Micros(c.First), storage.Micros(c.Corrected), c.Seconds, c.Cycles, c.Starts)
	return err
}

// CorrectionsOf are the corrections that moved an engine's counters, as far as they were known at an instant.
func CorrectionsOf(ctx context.Context, tx *storage.Tx, engine string, known time.Time) ([]CounterCorrection, error) {
	return storage.Collect(ctx, tx, func(row storage.Scanner) (c CounterCorrection, err error) {
		var first, corrected int64
		err = row.Scan(&c.Utilization, &c.FlightDate, &first, &corrected, &c.Seconds, &c.Cycles, &c.Starts)
		c.Engine, c.First, c.Corrected = engine, storage.FromMicros(first), storage.FromMicros(corrected)
		return c, err
	}, `SELECT utilization, flight_date, first_time, correct_time, operating_seconds, cycles, starts FROM counter_corrections
		WHERE engine = $1 AND correct_time <= $2 ORDER BY utilization`, engine, storage.Micros(known))
}
