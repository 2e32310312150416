package server_test

import (
	"bytes"
	"context"
	"log/slog"
	"slices"
	"strings"
	"testing"
	"time"

	"google.golang.org/genproto/googleapis/type/date"
	"google.golang.org/grpc"
	"google.golang.org/protobuf/types/known/timestamppb"

	commonv1 "coldsection.example/proto/coldsection/common/v1"
	compliancev1 "coldsection.example/proto/coldsection/compliance/v1"
	consumablesv1 "coldsection.example/proto/coldsection/consumables/v1"
	workordersv1 "coldsection.example/proto/coldsection/workorders/v1"
	"coldsection.example/services/consumables/internal/app"
	"coldsection.example/services/consumables/internal/server"
	"coldsection.example/services/consumables/internal/store"
	"coldsection.example/services/platform/auth"
	"coldsection.example/services/platform/clock"
	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/ids"
	"coldsection.example/services/platform/listing"
	"coldsection.example/services/platform/rpc"
	"coldsection.example/services/platform/rpc/rpctest"
	"coldsection.example/services/platform/storage"
	"coldsection.example/services/platform/storage/storagetest"
)

// morning is when every test begins.
var morning = time.Date(2026, 11, 25, 8, 0, 0, 0, time.UTC)

const (
	shelf = "locations/shelf"
	order = "workOrders/w1"
)

// calibrated answers for compliance that every tool is within its calibration, but for one, that it does not know one, and of one nothing.
type calibrated struct{}

func (calibrated) CheckGates(_ context.Context, req *compliancev1.CheckGatesRequest) (*compliancev1.CheckGatesResponse, error) {
	if slices.Contains(req.GetTools(), "tools/unreachable") {
		return nil, fault.New(fault.Unavailable, "SERVICE_UNREACHABLE", "compliance can't be reached.")
	}
	resp := &compliancev1.CheckGatesResponse{}
	if slices.Contains(req.GetTools(), "tools/lapsed") {
		resp.Results = append(resp.Results, &compliancev1.GateResult{Reason: "TOOL_LAPSED", Explanation: "tools/lapsed was due for calibration on 2026-10-31. Use another one."})
	}
	if slices.Contains(req.GetTools(), "tools/strange") {
		resp.Results = append(resp.Results, &compliancev1.GateResult{Reason: "TOOL_UNKNOWN", Explanation: `"tools/strange" is not a tool known here. Scan the tool again.`})
	}
	return resp, nil
}

// desk is stores as its clerks see it: over gRPC, on a real database.
type desk struct {
	consumablesv1.ConsumablesServiceClient
	consumablesv1.ConsumablesQueryServiceClient
	consumablesv1.ScanningQueryServiceClient
	consumablesv1.WaterServiceClient
	consumablesv1.WaterQueryServiceClient
	consumablesv1.RecipeServiceClient
	consumablesv1.RecipeQueryServiceClient

	t     testing.TB
	conn  grpc.ClientConnInterface
	srv   *rpc.Server
	clock *clock.Fake
	db    *storage.DB
	keys  *auth.Keys
	jobs  map[string]bool // the orders that were scheduled
}

// desks runs fn on each engine with a place, a cleaner, water, and a solution mixed from them.
func desks(t *testing.T, fn func(t *testing.T, d desk)) {
	t.Helper()
	storagetest.Engines(t, store.Migrations(), func(t *testing.T, db *storage.DB) {
		d := open(t, db)
		d.catalogue()
		fn(t, d)
	})
}

func open(t testing.TB, db *storage.DB) desk {
	t.Helper()
	keys, err := auth.NewKeys(bytes.Repeat([]byte("k"), 32))
	if err != nil {
		t.Fatal(err)
	}
	now := clock.NewFake(morning)
	srv, err := rpc.NewServer(rpc.Deps{Clock: now, IDs: ids.System(), Keys: keys, Log: slog.New(slog.DiscardHandler)})
	if err != nil {
		t.Fatal(err)
	}
	server.Register(srv, &app.App{DB: db, Clock: now, IDs: ids.System(), Lister: listing.New([]byte("secret")), Gates: calibrated{}, Keys: keys})
	conn := rpctest.Dial(t, srv, rpc.Caller{Keys: keys, Clock: now, Patience: time.Minute}) // the disk may be busy
	return desk{
		consumablesv1.NewConsumablesServiceClient(conn), consumablesv1.NewConsumablesQueryServiceClient(conn),
		consumablesv1.NewScanningQueryServiceClient(conn), consumablesv1.NewWaterServiceClient(conn), consumablesv1.NewWaterQueryServiceClient(conn),
		consumablesv1.NewRecipeServiceClient(conn), consumablesv1.NewRecipeQueryServiceClient(conn), t, conn, srv, now, db, keys, map[string]bool{},
	}
}

// as is a call by a person with a role.
func (d desk) as(person, role string) context.Context {
	return auth.NewContext(d.t.Context(), auth.Identity{Account: "accounts/" + person, Person: "people/" + person, Roles: []string{role}, Kind: auth.Human})
}

// clerk is a call by the clerk who does most things.
func (d desk) clerk() context.Context { return d.as("cleo", "stores") }

func (d desk) catalogue() {
	d.t.Helper()
	for _, id := range []string{"shelf", "back"} {
		of(d.CreateLocation(d.clerk(), &consumablesv1.CreateLocationRequest{
			LocationId: id, Location: &consumablesv1.Location{DisplayName: id, Kind: consumablesv1.Location_BIN, TimeZone: "UTC"},
		})).done(d.t)
	}
	for id, item := range map[string]*consumablesv1.Item{
		"cleaner": {
			Kind: consumablesv1.Item_CLEANER, ApprovedMixRatios: []*consumablesv1.MixRatio{{WaterParts: 6, CleanerParts: 1}}, OpenedLifeDays: 90, PotLifeHours: 8,
			HazardStatements: []string{"H319 Causes serious eye irritation"},
		},
		"keeping": {
			Kind: consumablesv1.Item_CLEANER, ApprovedMixRatios: []*consumablesv1.MixRatio{{WaterParts: 6, CleanerParts: 1}}, PotLifeHours: 8, NoLifeLimit: true,
		},
		"keepless": {Kind: consumablesv1.Item_CLEANER},
		"ready":    {Kind: consumablesv1.Item_CLEANER, ReadyToUse: true},
		"water":    {Kind: consumablesv1.Item_WATER, WaterGrade: "waterGrades/iso3696-3"},
		"solution": {Kind: consumablesv1.Item_BLEND},
		"o-ring":   {Kind: consumablesv1.Item_SEAL, BaseUnitCode: "{each}"},
	} {
		item.DisplayName = id
		if item.GetBaseUnitCode() == "" {
			item.BaseUnitCode = "L"
		}
		of(d.CreateItem(d.clerk(), &consumablesv1.CreateItemRequest{ItemId: id, Item: item})).done(d.t)
	}
}

// draftOf is a delivery of an item, with a last usable day unless that is zero.
func (d desk) draftOf(item, id string, useBy time.Time) *consumablesv1.Lot {
	lot := &consumablesv1.Lot{Item: "items/" + item, ManufacturerLot: "M-" + id, Certificate: &consumablesv1.Certificate{Number: "C-" + id}}
	if !useBy.IsZero() {
		lot.UseByDate = &date.Date{Year: int32(useBy.Year()), Month: int32(useBy.Month()), Day: int32(useBy.Day())}
	}
	return lot
}

// received books a lot in, with a last usable day unless that is zero, and leaves it held.
func (d desk) received(item, id, amount string, useBy time.Time) *consumablesv1.Lot {
	d.t.Helper()
	unit := "L"
	if item == "o-ring" {
		unit = "{each}"
	}
	return of(d.ReceiveLot(d.clerk(), &consumablesv1.ReceiveLotRequest{
		LotId: id, Location: shelf, Quantity: &commonv1.Quantity{Value: amount, UnitCode: unit}, Lot: d.draftOf(item, id, useBy),
	})).done(d.t)
}

// stocked books a lot in and clears it; water is tested first.
func (d desk) stocked(item, id, amount string, useBy time.Time) *consumablesv1.Lot {
	d.t.Helper()
	lot := d.received(item, id, amount, useBy)
	if item == "water" {
		of(d.tested(lot.GetName(), "4.9")).done(d.t)
	}
	return of(d.ClearLot(d.clerk(), &consumablesv1.ClearLotRequest{Name: lot.GetName()})).done(d.t)
}

func (d desk) tested(lot, conductivity string) (*consumablesv1.WaterTest, error) {
	return d.CreateWaterTest(d.clerk(), &consumablesv1.CreateWaterTestRequest{Parent: lot, WaterTest: &consumablesv1.WaterTest{
		Meter: "tools/meter", MeterCompensated: true, Conductivity: &commonv1.Entered{Text: conductivity, UnitCode: "uS/cm"},
		Temperature: &commonv1.Entered{Text: "25", UnitCode: "Cel"}, Ph: &commonv1.Entered{Text: "6.8", UnitCode: "[pH]"},
		DissolvedSolids: &commonv1.Entered{Text: "1", UnitCode: "mg/L"},
	}})
}

// knownOn makes an order known as work on an engine, without needs of its own.
func (d desk) knownOn(order, engine string) {
	d.t.Helper()
	of(0, d.heard("coldsection.workorder.scheduled.v1", &workordersv1.WorkOrderChanged{
		WorkOrder: order, Engine: engine, PlanStartTime: timestamppb.New(d.clock.Now().AddDate(0, 0, 1)),
	})).done(d.t)
}

// known makes an order known that is not yet: an order is work on the engine of its number, and one without a number on e1.
func (d desk) known(order string) {
	d.t.Helper()
	if d.jobs[order] {
		return
	}
	engine := "engines/e" + strings.TrimLeft(order, "abcdefghijklmnopqrstuvwxyzO/-")
	if engine == "engines/e" {
		engine = "engines/e1"
	}
	d.knownOn(order, engine)
}

// needs makes an order want so much of an item tomorrow.
func (d desk) needs(order, item, amount string) {
	d.t.Helper()
	d.known(order)
	of(d.ReserveStock(d.clerk(), &consumablesv1.ReserveStockRequest{
		WorkOrder: order, Item: "items/" + item, Quantity: litres(amount), NeedTime: timestamppb.New(d.clock.Now().AddDate(0, 0, 1)),
	})).done(d.t)
}

func (d desk) issue(lot, order, amount string) (*consumablesv1.StockMovement, error) {
	return d.IssueStock(d.clerk(), &consumablesv1.IssueStockRequest{Name: lot, WorkOrder: order, Quantity: litres(amount)})
}

// issued hands out what an order wants.
func (d desk) issued(item, lot, order, amount string) *consumablesv1.StockMovement {
	d.t.Helper()
	d.needs(order, item, amount)
	return of(d.issue(lot, order, amount)).done(d.t)
}

// at is how much of a lot is at a place.
func (d desk) at(lot, location string) string {
	d.t.Helper()
	for _, b := range of(d.GetLot(d.clerk(), &consumablesv1.GetLotRequest{Name: lot})).done(d.t).GetBalances() {
		if b.GetLocation() == location {
			return b.GetQuantity().GetValue()
		}
	}
	return "0"
}

func litres(value string) *commonv1.Quantity { return &commonv1.Quantity{Value: value, UnitCode: "L"} }

// days is a day so many days after the test begins.
func days(n int) time.Time { return morning.AddDate(0, 0, n) }

// result is what a call returned.
type result[T any] struct {
	value T
	err   error
}

// of keeps what a call returned, so that done can look at it.
func of[T any](value T, err error) result[T] { return result[T]{value, err} }

// done passes a result on and ends the test on an error.
func (r result[T]) done(t testing.TB) T {
	t.Helper()
	if r.err != nil {
		t.Fatal(r.err)
	}
	return r.value
}

// refused checks that a call failed for a reason, and leaves the balances as they were.
func refused(t testing.TB, what string, err error, reason string) {
	t.Helper()
	if !fault.HasReason(err, reason) {
		t.Errorf("%s: got %v, want %s", what, err, reason)
	}
}
