// Package store keeps engine models, readings, events and what was made of them.
package store

import (
	"context"
	"embed"
	"errors"
	"fmt"
	"io/fs"

	performancev1 "coldsection.example/proto/coldsection/performance/v1"
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
	Models      = resource.NewTable[*performancev1.EngineModel]("engine_models", "", "display_name").Shared()
	Readings    = resource.NewTable[*performancev1.Reading]("readings", "read_time", "state", "read_time", "create_time", "source", "source_id").OwnedBy("name")
	Events      = resource.NewTable[*performancev1.EngineEvent]("engine_events", "event_time", "kind", "event_time", "work_order").OwnedBy("name")
	Assessments = resource.NewTable[*performancev1.Assessment]("assessments", "", "level", "engine_serial", "engine_model", "engine").OwnedBy("engine")
	Advices     = resource.NewTable[*performancev1.WashAdvice]("wash_advices", "advise_time desc", "kind", "cause", "state", "advise_time").OwnedBy("name")
	Recoveries  = resource.NewTable[*performancev1.Recovery]("recoveries", "wash_time desc", "verdict", "wash_time", "work_order").OwnedBy("name")
	Exceedances = resource.NewTable[*performancev1.EngineExceedance]("engine_exceedances", "exceed_time desc", "state", "source", "chart", "exceed_time").OwnedBy("name")
)

// Under is the condition for names below a parent and its arguments.
func Under(parent string) (condition string, args []any) {
	return "name >= $1 AND name < $2", []any{parent + "/", parent + "0"}
}

// Profile is what is known of an engine here.
type Profile struct{ Name, Serial, Model string }

// FindProfile finds an engine by name or serial number; ok is false when it is not known here.
func FindProfile(ctx context.Context, tx *storage.Tx, nameOrSerial string) (p Profile, ok bool, err error) {
	err = tx.QueryRow(ctx, "SELECT name, serial, engine_model FROM engine_profiles WHERE $1 <> '' AND (name = $1 OR serial = $1)", nameOrSerial).
		Scan(&p.Name, &p.Serial, &p.Model)
	if errors.Is(err, storage.ErrNoRows) {
		return p, false, nil
	}
	return p, err == nil, err
}

// ProfilesOf are the engines of a model that are known here, by name.
func ProfilesOf(ctx context.Context, tx *storage.Tx, model string) ([]Profile, error) {
	return storage.Collect(ctx, tx, func(row storage.Scanner) (p Profile, err error) {
		err = row.Scan(&p.Name, &p.Serial, &p.Model)
		return p, err
	}, "SELECT name, serial, engine_model FROM engine_profiles WHERE engine_model = $1 ORDER BY name", model)
}

// SaveProfile keeps an engine. A serial number belongs to one engine, so another that had it has none until it is told anew.
func SaveProfile(ctx context.Context, tx *storage.Tx, p Profile) error {
	if _, err := tx.Exec(ctx, "UPDATE engine_profiles SET serial = '' WHERE serial = $1 AND name <> $2", p.Serial, p.Name); err != nil {
		return err
	}
	_, err := tx.Exec(ctx, `INSERT INTO engine_profiles (name, serial, engine_model) VALUES ($1, $2, $3)
		ON CONFLICT (name) DO UPDATE SET serial = excluded.serial, engine_model = excluded.engine_model`, p.Name, p.Serial, p.Model)
	return err
}
