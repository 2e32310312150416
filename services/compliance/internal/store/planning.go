package store

import (
	"context"

	"google.golang.org/protobuf/proto"

	compliancev1 "coldsection.example/proto/coldsection/compliance/v1"
	"coldsection.example/services/platform/resource"
	"coldsection.example/services/platform/storage"
)

// FlyingPlans are what is going to be flown, one at most for each aircraft.
var FlyingPlans = resource.NewTable[*compliancev1.FlyingPlan]("flying_plans", "", "revoked", "window_weeks", "updater").OwnedBy("name")

// unlisted finds the plans from before plans could be listed.
const unlisted = "revoked = -1"

// PlansUnlisted reports whether there are plans from before plans could be listed.
func PlansUnlisted(ctx context.Context, tx *storage.Tx) (bool, error) {
	var n int64
	err := tx.QueryRow(ctx, "SELECT COUNT(*) FROM flying_plans WHERE "+unlisted).Scan(&n)
	return n > 0, err
}

// ListPlans fills in what plans from before are listed by. They change in nothing else, and keep their etags.
func ListPlans(ctx context.Context, tx *storage.Tx) error {
	plans, err := FlyingPlans.Where(ctx, tx, unlisted)
	for _, plan := range plans {
		revoked := 0
		if plan.GetRevoked() {
			revoked = 1
		}
		if _, err := tx.Exec(ctx, "UPDATE flying_plans SET revoked = $1, window_weeks = $2, updater = $3 WHERE name = $4",
			revoked, plan.GetWindowWeeks(), plan.GetUpdater(), plan.GetName()); err != nil {
			return err
		}
	}
	return err
}

// AddPlanVersion keeps what a flying plan says now.
func AddPlanVersion(ctx context.Context, tx *storage.Tx, plan *compliancev1.FlyingPlan) error {
	body, err := proto.Marshal(plan)
	if err != nil {
		return err
	}
	_, err = tx.Exec(ctx, "INSERT INTO flying_plan_versions (name, version, body) VALUES ($1, $2, $3)", plan.GetName(), plan.GetVersion(), body)
	return err
}

// maxPlanVersions is how many versions of a plan are read, the newest.
const maxPlanVersions = 200

// PlanVersions are the newest versions of a flying plan, the newest first.
func PlanVersions(ctx context.Context, tx *storage.Tx, name string) ([]*compliancev1.FlyingPlan, error) {
	return storage.Collect(ctx, tx, func(row storage.Scanner) (*compliancev1.FlyingPlan, error) {
		var body []byte
		if err := row.Scan(&body); err != nil {
			return nil, err
		}
		plan := &compliancev1.FlyingPlan{}
		return plan, proto.Unmarshal(body, plan)
	}, "SELECT body FROM flying_plan_versions WHERE name = $1 ORDER BY version DESC LIMIT $2", name, maxPlanVersions)
}

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
