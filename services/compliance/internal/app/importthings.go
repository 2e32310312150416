package app

import (
	"context"
	"fmt"
	"strings"

	compliancev1 "coldsection.example/proto/coldsection/compliance/v1"
	"coldsection.example/services/compliance/internal/store"
	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/sheet"
)

// aircraftColumns are the columns of a table of aircraft.
var aircraftColumns = []sheet.Want{
	{Name: "aircraft_id", Required: true}, {Name: "registration", Required: true}, {Name: "regime", Required: true}, {Name: "model"}, {Name: "serial"}, {Name: "owner"},
	{Name: "time_zone"}, {Name: "operating_hours", Kind: sheet.Hours}, {Name: "cycles", Kind: sheet.Integer}, {Name: "starts", Kind: sheet.Integer},
	{Name: "landings", Kind: sheet.Integer}, {Name: "counters_date", Kind: sheet.Date}, {Name: "flying_hours_per_day", Kind: sheet.Number},
	{Name: "flying_cycles_per_day", Kind: sheet.Number}, {Name: "erp_id"},
}

// engineColumns are the columns of a table of engines.
var engineColumns = []sheet.Want{
	{Name: "engine_id", Required: true}, {Name: "serial", Required: true}, {Name: "engine_model", Required: true}, {Name: "owner"},
	{Name: "operating_hours", Kind: sheet.Hours}, {Name: "cycles", Kind: sheet.Integer}, {Name: "starts", Kind: sheet.Integer},
	{Name: "counters_date", Kind: sheet.Date}, {Name: "manufacture_date", Kind: sheet.Date}, {Name: "embodied"}, {Name: "erp_id"},
	{Name: "aircraft"}, {Name: "position"}, {Name: "install_date", Kind: sheet.Date},
}

// componentColumns are the columns of a table of components.
var componentColumns = []sheet.Want{
	{Name: "component_id", Required: true}, {Name: "part_number"}, {Name: "serial"}, {Name: "display_name", Aliases: []string{"name"}},
	{Name: "life_limited", Kind: sheet.Bool}, {Name: "operating_hours", Kind: sheet.Hours}, {Name: "cycles", Kind: sheet.Integer},
	{Name: "starts", Kind: sheet.Integer}, {Name: "counters_date", Kind: sheet.Date}, {Name: "manufacture_date", Kind: sheet.Date}, {Name: "embodied"},
	{Name: "host"}, {Name: "position"}, {Name: "install_date", Kind: sheet.Date}, {Name: "stay_engine_serial"}, {Name: "stay_engine_model"},
	{Name: "stay_install_cycles", Kind: sheet.Integer}, {Name: "stay_remove_cycles", Kind: sheet.Integer}, {Name: "stay_starts", Kind: sheet.Integer},
	{Name: "stay_flights", Kind: sheet.Integer}, {Name: "stay_hours", Kind: sheet.Hours}, {Name: "stay_remove_date", Kind: sheet.Date}, {Name: "stay_document"},
}

// checkCounters refuses an aircraft or engine without hours or cycles: what is left out would count as none, and whatever is limited by it would
// look far away. Parts are often counted in one of them alone.
func checkCounters(r sheet.Record) error {
	for _, column := range []string{"operating_hours", "cycles"} {
		if !r.Get(column).Given {
			return fault.Invalid(column, "COUNTERS_MISSING", "The row has no %s, which would count as 0. Add them from the record, or write 0 for a new one.",
				strings.ReplaceAll(column, "_", " "))
		}
	}
	return nil
}

func erpID(r sheet.Record) map[string]string {
	if id := r.Get("erp_id"); id.Given {
		return map[string]string{"erp": id.Text}
	}
	return nil
}

func (i *importer) aircraft(ctx context.Context, group []sheet.Record) (string, error) {
	r := group[0]
	regime, err := choice(r, "regime", compliancev1.Aircraft_Regime_value)
	if err != nil {
		return "", err
	}
	plane := &compliancev1.Aircraft{
		Registration: r.Get("registration").Text, Regime: compliancev1.Aircraft_Regime(regime), Model: r.Get("model").Text, Serial: r.Get("serial").Text,
		Owner: r.Get("owner").Text, TimeZone: r.Get("time_zone").Text, Counters: countersOfRow(r), CountersDate: dateIn(r, "counters_date"), ExternalIds: erpID(r),
	}
	if r.Get("flying_hours_per_day").Given || r.Get("flying_cycles_per_day").Given {
		plane.FlyingRate = &compliancev1.FlyingRate{HoursPerDay: decimal(r, "flying_hours_per_day"), CyclesPerDay: decimal(r, "flying_cycles_per_day")}
	}
	if err := checkCounters(r); err != nil {
		return "", err
	}
	req := &compliancev1.CreateAircraftRequest{AircraftId: r.Get("aircraft_id").Text, Aircraft: plane}
	if err := i.check(req); err != nil {
		return "", err
	}
	if _, err := i.zone(plane.GetTimeZone()); err != nil {
		return "", err
	}
	made, err := i.createAircraft(ctx, req)
	return made.GetName(), err
}

func (i *importer) engine(ctx context.Context, group []sheet.Record) (string, error) {
	r := group[0]
	if err := checkCounters(r); err != nil {
		return "", err
	}
	req := &compliancev1.CreateEngineRequest{EngineId: r.Get("engine_id").Text, Engine: &compliancev1.Engine{
		Serial: r.Get("serial").Text, EngineModel: named("engineModels/", r.Get("engine_model").Text), Owner: r.Get("owner").Text, Counters: countersOfRow(r),
		CountersDate: dateIn(r, "counters_date"), ManufactureDate: dateIn(r, "manufacture_date"), Embodied: texts(r, "embodied"), ExternalIds: erpID(r),
	}}
	if err := i.check(req); err != nil {
		return "", err
	}
	if err := i.unused(ctx, "engines", "engine_model", req.GetEngine().GetEngineModel(), req.GetEngine().GetSerial()); err != nil {
		return "", err
	}
	made, err := i.createEngine(ctx, req)
	if err != nil || !r.Get("aircraft").Given {
		return made.GetName(), err
	}
	fit := &compliancev1.InstallEngineRequest{
		Name: made.GetName(), Aircraft: named("aircraft/", r.Get("aircraft").Text), Position: r.Get("position").Text, InstallDate: dateIn(r, "install_date"),
	}
	if err := i.check(fit); err != nil {
		return "", err
	}
	_, err = i.installEngine(ctx, fit)
	return made.GetName(), err
}

// unused refuses a serial number that something of the same kind has, before the store does.
func (i *importer) unused(ctx context.Context, table, kind, value, serial string) error {
	taken, err := store.SerialTaken(ctx, i.Tx, table, kind, value, serial)
	if err == nil && taken {
		err = fault.Invalid("serial", "ALREADY_EXISTS", "%q exists already. Use another id, or update it.", fmt.Sprintf("%s of %s", serial, value))
	}
	return err
}

func (i *importer) component(ctx context.Context, group []sheet.Record) (string, error) {
	r := group[0]
	if err := onePart(group); err != nil {
		return "", err
	}
	part := &compliancev1.Component{
		PartNumber: r.Get("part_number").Text, Serial: r.Get("serial").Text, DisplayName: r.Get("display_name").Text, LifeLimited: yes(r, "life_limited"),
		Counters: countersOfRow(r), CountersDate: dateIn(r, "counters_date"), ManufactureDate: dateIn(r, "manufacture_date"), Embodied: texts(r, "embodied"),
	}
	for _, stay := range group {
		if s := stayIn(stay); s != nil {
			part.History = append(part.History, s)
		}
	}
	req := &compliancev1.CreateComponentRequest{ComponentId: r.Get("component_id").Text, Component: part}
	if err := i.check(req); err != nil {
		return "", err
	}
	if err := i.unused(ctx, "components", "part_number", part.GetPartNumber(), part.GetSerial()); err != nil {
		return "", err
	}
	made, err := i.createComponent(ctx, req)
	if err != nil || !r.Get("host").Given {
		return made.GetName(), err
	}
	fit := &compliancev1.InstallComponentRequest{Name: made.GetName(), Host: r.Get("host").Text, Position: r.Get("position").Text, InstallDate: dateIn(r, "install_date")}
	if err := i.check(fit); err != nil {
		return "", err
	}
	_, err = i.installComponent(ctx, fit)
	return made.GetName(), err
}

// onePart refuses rows with one id that tell of different parts: the later ones would be taken for stays of the first, and be lost. What a later row leaves out, the
// first one said. Reason: VALUE_INVALID.
func onePart(group []sheet.Record) error {
	first := group[0]
	for _, later := range group[1:] {
		for _, column := range componentColumns {
			cell := later.Get(column.Name)
			if strings.HasPrefix(column.Name, "stay_") || !cell.Given || cell.Text == first.Get(column.Name).Text {
				continue
			}
			return fault.Invalid(column.Name, "VALUE_INVALID",
				"Line %d says %.40q, and line %d with the same component_id %.40q. Rows with one id are stays of one part: correct the id, or the value.",
				later.Line, cell.Text, first.Line, first.Get(column.Name).Text)
		}
	}
	return nil
}

// stayIn is the stay that a row tells of, nil when it tells of none.
func stayIn(r sheet.Record) *compliancev1.PastFitting {
	if !r.Get("stay_engine_model").Given && !r.Get("stay_document").Given && !r.Get("stay_remove_cycles").Given {
		return nil
	}
	return &compliancev1.PastFitting{
		EngineSerial: r.Get("stay_engine_serial").Text, EngineModel: named("engineModels/", r.Get("stay_engine_model").Text),
		InstallCycles: number(r, "stay_install_cycles"), RemoveCycles: number(r, "stay_remove_cycles"), Starts: number(r, "stay_starts"),
		Flights: number(r, "stay_flights"), OperatingSeconds: number(r, "stay_hours"), RemoveDate: dateIn(r, "stay_remove_date"),
		DocumentReference: r.Get("stay_document").Text,
	}
}
