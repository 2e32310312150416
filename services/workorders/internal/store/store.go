// Package store keeps work orders and what belongs to them, a table for each resource of the contract.
package store

import (
	"context"
	"embed"
	"fmt"
	"io/fs"

	commonv1 "coldsection.example/proto/coldsection/common/v1"
	workordersv1 "coldsection.example/proto/coldsection/workorders/v1"
	"coldsection.example/services/platform/resource"
	"coldsection.example/services/platform/storage"
)

//go:embed migrations
var files embed.FS

// Migrations is the schema.
func Migrations() storage.Migrations {
	sub, err := fs.Sub(files, "migrations")
	if err != nil {
		panic(fmt.Sprintf("store: %v", err)) // the folder is embedded above
	}
	return storage.Portable(sub)
}

// The tables.
var (
	Stations = resource.NewTable[*workordersv1.Station]("stations", "", "display_name").Shared()
	Flown    = resource.NewTable[*workordersv1.FlightExposure]("flight_exposures", "flight_date desc", "engine", "kind", "flight_date").OwnedBy("name")
	Cards    = resource.NewTable[*workordersv1.TaskCard]("task_cards", "", "kind", "display_name").Shared()
	Orders   = resource.NewTable[*workordersv1.WorkOrder]("work_orders", "create_time desc",
		"state", "engine", "aircraft", "kind", "assignees", "station", "hold", "plan_start_time",
		"number", "create_time", "inspection_required", "reinspection_exception").OwnedBy("name")
	Steps      = resource.NewTable[*workordersv1.Step]("steps", "position", "position", "kind", "state").OwnedBy("name")
	Plans      = resource.NewTable[*workordersv1.WashPlan]("wash_plans", "").OwnedBy("name")
	Measured   = resource.NewTable[*workordersv1.Measurement]("measurements", "create_time", "step", "limits_met", "successor", "create_time").OwnedBy("name")
	Runs       = resource.NewTable[*workordersv1.MotoringRun]("motoring_runs", "start_time", "exceedance", "start_time", "successor").OwnedBy("name")
	Findings   = resource.NewTable[*workordersv1.Finding]("findings", "raise_time", "state", "raise_time").OwnedBy("name")
	Labour     = resource.NewTable[*workordersv1.LabourEntry]("labour_entries", "", "person", "start_time", "successor")
	Regimes    = resource.NewTable[*workordersv1.Regime]("regimes", "", "display_name").Shared()
	Attached   = resource.NewTable[*workordersv1.Attachment]("attachments", "", "media_type").OwnedBy("name")
	Signatures = resource.NewTable[*commonv1.Signature]("signatures", "", "meaning", "person").OwnedBy("name")
)

// OrderIDs finds orders by their ids in other systems.
var OrderIDs = Orders.ToldOf("work_order_ids", "work_order", (*workordersv1.WorkOrder).GetExternalIds)

// Under is the condition for names below a parent and its arguments.
func Under(parent string) (condition string, args []any) {
	return "name >= $1 AND name < $2", []any{parent + "/", parent + "0"}
}

// NextNumber takes the next number of work orders; transactions that take one at the same moment wait for each other.
func NextNumber(ctx context.Context, tx *storage.Tx) (n int64, err error) {
	err = tx.QueryRow(ctx, "UPDATE order_numbers SET last_number = last_number + 1 WHERE series = 'WO' RETURNING last_number").Scan(&n)
	return n, err
}
