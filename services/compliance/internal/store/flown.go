package store

import (
	"context"
	"time"

	compliancev1 "coldsection.example/proto/coldsection/compliance/v1"
	"coldsection.example/services/platform/resource"
	"coldsection.example/services/platform/storage"
)

// AddFlown keeps that a thing counts an entry of flying from now on; engine is the one that a component is in. An entry that it counted before at the same instant counts
// again.
func AddFlown(ctx context.Context, tx *storage.Tx, item, engine string, e *compliancev1.Utilization, now time.Time) error {
	_, err := tx.Exec(ctx, `INSERT INTO flown (item, utilization, since_time, until_time, flight_date, operating_seconds, cycles, starts, landings, engine)
		VALUES ($1, $2, $3, 0, $4, $5, $6, $7, $8, $9) ON CONFLICT (item, utilization, since_time) DO UPDATE SET until_time = 0, engine = excluded.engine`,
		item, e.GetName(), storage.Micros(now), resource.DateText(e.GetFlightDate()), e.GetFlownSeconds(), e.GetCycles(), e.GetStarts(), e.GetLandings(), engine)
	return err
}

// EndFlown keeps that a thing counts an entry no longer from now on; as it was known before, it did.
func EndFlown(ctx context.Context, tx *storage.Tx, item, utilization string, now time.Time) error {
	_, err := tx.Exec(ctx, "UPDATE flown SET until_time = $1 WHERE item = $2 AND utilization = $3 AND until_time = 0", storage.Micros(now), item, utilization)
	return err
}

// CountersFlown sums what a thing flew through a civil day (YYYY-MM-DD), as far as it was known at an instant.
func CountersFlown(ctx context.Context, tx *storage.Tx, item, through string, known time.Time) (*compliancev1.Counters, error) {
	c := &compliancev1.Counters{}
	err := tx.QueryRow(ctx, `SELECT CAST(COALESCE(SUM(operating_seconds), 0) AS BIGINT), CAST(COALESCE(SUM(cycles), 0) AS BIGINT),
		CAST(COALESCE(SUM(starts), 0) AS BIGINT), CAST(COALESCE(SUM(landings), 0) AS BIGINT) FROM flown
		WHERE item = $1 AND flight_date <= $2 AND since_time <= $3 AND (until_time = 0 OR until_time > $3)`, item, through, storage.Micros(known)).
		Scan(&c.OperatingSeconds, &c.Cycles, &c.Starts, &c.Landings)
	return c, err
}

// LastFlown is the newest civil day through another on which a thing flew, as far as it was known at an instant; empty without.
func LastFlown(ctx context.Context, tx *storage.Tx, item, through string, known time.Time) (day string, err error) {
	err = tx.QueryRow(ctx, `SELECT COALESCE(MAX(flight_date), '') FROM flown
		WHERE item = $1 AND flight_date <= $2 AND since_time <= $3 AND (until_time = 0 OR until_time > $3)`, item, through, storage.Micros(known)).Scan(&day)
	return day, err
}

// FirstFlown is the first civil day on which a thing flew; empty when it never did.
func FirstFlown(ctx context.Context, tx *storage.Tx, item string) (day string, err error) {
	err = tx.QueryRow(ctx, "SELECT COALESCE(MIN(flight_date), '') FROM flown WHERE item = $1 AND until_time = 0", item).Scan(&day)
	return day, err
}

// Leg is what a component counted of one entry of flying, and in which engine.
type Leg struct {
	Engine, Day                      string
	Seconds, Cycles, Starts, Flights int64
}

// LegsOf are what a component counted through a civil day, oldest first, as far as it was known at an instant.
func LegsOf(ctx context.Context, tx *storage.Tx, component, through string, known time.Time) ([]Leg, error) {
	return storage.Collect(ctx, tx, func(row storage.Scanner) (l Leg, err error) {
		err = row.Scan(&l.Engine, &l.Day, &l.Seconds, &l.Cycles, &l.Starts, &l.Flights)
		return l, err
	}, `SELECT engine, flight_date, operating_seconds, cycles, starts, landings FROM flown
		WHERE item = $1 AND flight_date <= $2 AND since_time <= $3 AND (until_time = 0 OR until_time > $3) ORDER BY flight_date, utilization`,
		component, through, storage.Micros(known))
}

// Entry is what a thing counted of one entry of flying.
type Entry struct {
	Name, Day                         string
	Seconds, Cycles, Starts, Landings int64
}

// EntriesOf are the entries of flying that a thing counted through a civil day, oldest first, as far as it was known at an instant.
func EntriesOf(ctx context.Context, tx *storage.Tx, item, through string, known time.Time) ([]Entry, error) {
	return storage.Collect(ctx, tx, func(row storage.Scanner) (e Entry, err error) {
		err = row.Scan(&e.Name, &e.Day, &e.Seconds, &e.Cycles, &e.Starts, &e.Landings)
		return e, err
	}, `SELECT utilization, flight_date, operating_seconds, cycles, starts, landings FROM flown
		WHERE item = $1 AND flight_date <= $2 AND since_time <= $3 AND (until_time = 0 OR until_time > $3) ORDER BY flight_date, utilization`,
		item, through, storage.Micros(known))
}

// CountersFlownOn sums what a thing flew on a host from one civil day through another; an empty day does not limit.
func CountersFlownOn(ctx context.Context, tx *storage.Tx, item, host, from, through string) (*compliancev1.Counters, error) {
	if through == "" {
		through = "9999-12-31"
	}
	c := &compliancev1.Counters{}
	err := tx.QueryRow(ctx, `SELECT CAST(COALESCE(SUM(operating_seconds), 0) AS BIGINT), CAST(COALESCE(SUM(cycles), 0) AS BIGINT),
		CAST(COALESCE(SUM(starts), 0) AS BIGINT), CAST(COALESCE(SUM(landings), 0) AS BIGINT) FROM flown a
		WHERE item = $1 AND flight_date >= $2 AND flight_date <= $3 AND until_time = 0
		AND EXISTS (SELECT 1 FROM flown b WHERE b.utilization = a.utilization AND b.item = $4 AND b.until_time = 0)`, item, from, through, host).
		Scan(&c.OperatingSeconds, &c.Cycles, &c.Starts, &c.Landings)
	return c, err
}

// LastEnded is when flying was last taken back from a thing; zero when it never was.
func LastEnded(ctx context.Context, tx *storage.Tx, item string) (time.Time, error) {
	var last int64
	err := tx.QueryRow(ctx, "SELECT CAST(COALESCE(MAX(until_time), 0) AS BIGINT) FROM flown WHERE item = $1", item).Scan(&last)
	return storage.FromMicros(last), err
}

// ItemsOf are the things that count an entry of flying now.
func ItemsOf(ctx context.Context, tx *storage.Tx, utilization string) ([]string, error) {
	return names(ctx, tx, "SELECT item FROM flown WHERE utilization = $1 AND until_time = 0 ORDER BY item", utilization)
}

func names(ctx context.Context, tx *storage.Tx, query string, args ...any) ([]string, error) {
	return storage.Collect(ctx, tx, func(row storage.Scanner) (name string, err error) {
		err = row.Scan(&name)
		return name, err
	}, query, args...)
}
