// Package store keeps what compliance knows: the resources of the contract, a table each, and calibrations.
package store

import (
	"context"
	"embed"
	"fmt"
	"io/fs"

	"google.golang.org/protobuf/proto"

	compliancev1 "coldsection.example/proto/coldsection/compliance/v1"
	"coldsection.example/services/platform/resource"
	"coldsection.example/services/platform/storage"
)

//go:embed migrations/*.sql
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
	Aircraft = resource.NewTable[*compliancev1.Aircraft]("aircraft", "", "registration", "model").OwnedBy("name")
	Engines  = resource.NewTable[*compliancev1.Engine]("engines", "", "serial", "engine_model", "aircraft").OwnedBy("name").Hiding("aircraft")
	Fittings = resource.NewTable[*compliancev1.Fitting]("fittings", "item, install_date", "item", "host", "position", "install_date", "remove_date", "correction").
			OwnedByAll("item", "host")
	Utilizations    = resource.NewTable[*compliancev1.Utilization]("utilizations", "flight_date", "flight_date", "source_id", "create_time").OwnedBy("name")
	Requirements    = resource.NewTable[*compliancev1.Requirement]("requirements", "", "kind", "code", "task_card", "terminates").Shared()
	DueItems        = resource.NewTable[*compliancev1.DueItem]("due_items", "due_date", "subject", "requirement", "band", "due_date", "kind").OwnedBy("subject")
	Accomplishments = resource.NewTable[*compliancev1.Accomplishment]("accomplishments", "done_date", "subject", "work_order", "done_date", "create_time").
			OwnedBy("subject").Keeping("line", lineOf)
	Components   = resource.NewTable[*compliancev1.Component]("components", "part_number, serial", "part_number", "serial", "host", "life_limited").OwnedBy("name")
	LifeLimits   = resource.NewTable[*compliancev1.LifeLimit]("life_limits", "part_number, engine_model, effective_date", "part_number", "engine_model", "effective_date").Shared()
	ToolUses     = resource.NewTable[*compliancev1.ToolUse]("tool_uses", "use_time desc", "use_time", "work_order", "engine", "water_test").OwnedBy("engine")
	OpenFindings = resource.NewTable[*compliancev1.OpenFinding]("open_findings", "limit_date",
		"finding", "work_order", "engine", "aircraft", "deferred", "closed", "limit_date").OwnedByAll("engine", "aircraft")
	ReleaseEntries = resource.NewTable[*compliancev1.ReleaseEntry]("release_entries", "release_date desc", "work_order", "engine", "aircraft", "release_date", "latest_date", "entered",
		"timely", "inspection_result").OwnedByAll("engine", "aircraft")
	RecordPacks    = resource.NewTable[*compliancev1.RecordPack]("record_packs", "create_time desc", "subject", "number", "create_time", "limited_to").OwnedBy("subject")
	Tools          = resource.NewTable[*compliancev1.Tool]("tools", "", "tool_type", "serial", "calibration_due_date")
	People         = resource.NewTable[*compliancev1.Person]("people", "", "display_name")
	Authorizations = resource.NewTable[*compliancev1.Authorization]("authorizations", "", "scope")
)

// How aircraft, engines and people are found by their ids in other systems.
var (
	AircraftIDs = Aircraft.FoundBy("aircraft_ids", "aircraft", (*compliancev1.Aircraft).GetExternalIds)
	EngineIDs   = Engines.FoundBy("engine_ids", "engine", (*compliancev1.Engine).GetExternalIds)
	PeopleIDs   = People.FoundBy("people_ids", "person", (*compliancev1.Person).GetExternalIds)
)

// AddCalibration keeps a calibration of a tool.
func AddCalibration(ctx context.Context, tx *storage.Tx, tool string, c *compliancev1.Calibration) error {
	body, err := proto.Marshal(c)
	if err != nil {
		return err
	}
	_, err = tx.Exec(ctx, "INSERT INTO calibrations (tool, calibration_date, due_date, certificate, body) VALUES ($1, $2, $3, $4, $5)",
		tool, resource.DateText(c.GetCalibrationDate()), resource.DateText(c.GetDueDate()), c.GetCertificate(), body)
	return err
}

// CalibrationsOf are all calibrations of a tool, oldest first.
func CalibrationsOf(ctx context.Context, tx *storage.Tx, tool string) ([]*compliancev1.Calibration, error) {
	return storage.Collect(ctx, tx, func(row storage.Scanner) (*compliancev1.Calibration, error) {
		var body []byte
		if err := row.Scan(&body); err != nil {
			return nil, err
		}
		c := &compliancev1.Calibration{}
		return c, proto.Unmarshal(body, c)
	}, "SELECT body FROM calibrations WHERE tool = $1 ORDER BY calibration_date, certificate", tool)
}

// CalibrationOn finds the newest calibration that covers a civil day, nil when none does.
func CalibrationOn(ctx context.Context, tx *storage.Tx, tool, day string) (*compliancev1.Calibration, error) {
	found, err := storage.Collect(ctx, tx, func(row storage.Scanner) (*compliancev1.Calibration, error) {
		var body []byte
		if err := row.Scan(&body); err != nil {
			return nil, err
		}
		c := &compliancev1.Calibration{}
		return c, proto.Unmarshal(body, c)
	}, "SELECT body FROM calibrations WHERE tool = $1 AND calibration_date <= $2 ORDER BY calibration_date DESC LIMIT 1", tool, day)
	if err != nil || len(found) == 0 || resource.DateText(found[0].GetDueDate()) < day {
		return nil, err
	}
	return found[0], nil
}
