// Package app holds the use cases of compliance, one file per subject. They run in one transaction with the facts that they
// publish, and know nothing of gRPC.
package app

import (
	"context"
	"sync"
	"time"

	"google.golang.org/genproto/googleapis/type/date"
	"google.golang.org/protobuf/proto"

	compliancev1 "coldsection.example/proto/coldsection/compliance/v1"
	"coldsection.example/services/compliance/internal/civil"
	"coldsection.example/services/platform/auth"
	"coldsection.example/services/platform/clock"
	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/ids"
	"coldsection.example/services/platform/listing"
	"coldsection.example/services/platform/operations"
	"coldsection.example/services/platform/outbox"
	"coldsection.example/services/platform/storage"
)

// App is the use cases of compliance.
type App struct {
	DB     *storage.DB
	Clock  clock.Clock
	IDs    ids.Source
	Lister *listing.Lister
	Keys   *auth.Keys

	Neighbours Neighbours
	Judge      func(proto.Message) error // the contract's judgement of a request, also of one that a row of a table makes
	Operations *operations.Operations    // see OpenOperations

	zones sync.Map // of days, by their IANA names
}

const source = "compliance"

// unit is one running use case.
type unit struct {
	*storage.Tx

	app    *App
	now    time.Time
	caller auth.Identity
	rules  []*compliancev1.Requirement // what is required, once it was read
	book   *book                       // what is looked up of that
	later  *postponed                  // what is to be worked out when the use case ends; nil works it out at once
	before string                      // the requirements before this use case changed them, as store.Rules tells them
	loaded *loaded                     // what was read of many subjects at once, nil when each is read by itself
}

func (a *App) unit(ctx context.Context, tx *storage.Tx) unit {
	id, _ := auth.FromContext(ctx)
	return unit{Tx: tx, app: a, now: clock.Now(ctx, a.Clock), caller: id}
}

func (u unit) publish(ctx context.Context, typ, subject string, data proto.Message) error {
	return outbox.Append(ctx, u.Tx, outbox.New(u.app.IDs.New(), u.now, source, typ, subject, data))
}

func (a *App) newName(collection, id string) string {
	if id == "" {
		id = a.IDs.New()
	}
	return collection + "/" + id
}

func dateOf(d *date.Date) civil.Date {
	if d == nil {
		return civil.Date{}
	}
	return civil.Date{Year: int(d.GetYear()), Month: int(d.GetMonth()), Day: int(d.GetDay())}
}

func protoDate(d civil.Date) *date.Date {
	if d.IsZero() {
		return nil
	}
	return &date.Date{Year: int32(d.Year), Month: int32(d.Month), Day: int32(d.Day)}
}

// realDate refuses a day that the calendar does not have.
func realDate(field string, d *date.Date) (civil.Date, error) {
	c := dateOf(d)
	if !c.Valid() || c.Year < 1900 || c.Year > 2200 {
		return c, fault.Invalid(field, "DATE_INVALID", "%s is %s, which is not a day of the calendar. Correct it.", field, c)
	}
	return c, nil
}

// notFuture refuses a day after tomorrow, which no zone has reached.
func (u unit) notFuture(field string, d civil.Date) error {
	if limit := civil.Of(u.now).AddDays(1); limit.Before(d) {
		return fault.Invalid(field, "DATE_IN_FUTURE", "%s is %s, which has not come yet. Correct it.", field, d)
	}
	return nil
}

func countersPlus(c, d *compliancev1.Counters) *compliancev1.Counters {
	return &compliancev1.Counters{
		OperatingSeconds: c.GetOperatingSeconds() + d.GetOperatingSeconds(), Cycles: c.GetCycles() + d.GetCycles(),
		Starts: c.GetStarts() + d.GetStarts(), Landings: c.GetLandings() + d.GetLandings(),
	}
}
