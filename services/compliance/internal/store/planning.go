package store

import (
	"context"

	compliancev1 "coldsection.example/proto/coldsection/compliance/v1"
	"coldsection.example/services/platform/resource"
	"coldsection.example/services/platform/storage"
)

// FlyingPlans are what is going to be flown, one at most for each aircraft.
var FlyingPlans = resource.NewTable[*compliancev1.FlyingPlan]("flying_plans", "").OwnedBy("name")

// DayFlown is what a thing flew on one civil day (YYYY-MM-DD).
type DayFlown struct {
	Day             string
	Seconds, Cycles int64
}

// FlownByDay is what a thing flew from one civil day through another, for each day with flying, oldest first, as it is known now.
func FlownByDay(ctx context.Context, tx *storage.Tx, item, from, through string) ([]DayFlown, error) {
	return storage.Collect(ctx, tx, func(row storage.Scanner) (d DayFlown, err error) {
		err = row.Scan(&d.Day, &d.Seconds, &d.Cycles)
		return d, err
	}, `SELECT flight_date, CAST(SUM(operating_seconds) AS BIGINT), CAST(SUM(cycles) AS BIGINT) FROM flown
		WHERE item = $1 AND flight_date >= $2 AND flight_date <= $3 AND until_time = 0 GROUP BY flight_date ORDER BY flight_date`, item, from, through)
}
