package app

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"strings"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	commonv1 "coldsection.example/proto/coldsection/common/v1"
	performancev1 "coldsection.example/proto/coldsection/performance/v1"
	"coldsection.example/services/performance/internal/baseline"
	"coldsection.example/services/performance/internal/store"
	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/idempotency"
	"coldsection.example/services/platform/quantity"
	"coldsection.example/services/platform/resource"
	"coldsection.example/services/platform/storage"
)

// readingID is the same for the same reading, whenever and however often it is sent: by the id that its source gave it, or
// else by its values.
func readingID(r *performancev1.Reading) string {
	if r.GetSourceId() == "" {
		return contentID(r)
	}
	sum := sha256.Sum256(append(append(append(make([]byte, 0, 256), r.GetSource()...), 0), r.GetSourceId()...))
	var id [1 + 2*sha256.Size]byte
	id[0] = 's'
	hex.Encode(id[1:], sum[:])
	return string(id[:32])
}

// nameOf is the name of a reading of an engine.
func nameOf(p store.Profile, r *performancev1.Reading) string {
	return p.Name + "/readings/" + readingID(r)
}

// alike says whether two readings say the same, however it was entered. An airspeed that nobody read is another one than 0.
func alike(a, b *performancev1.Reading) bool {
	return (a.GetAirspeed() == nil) == (b.GetAirspeed() == nil) && a.GetReadTime().AsTime().Equal(b.GetReadTime().AsTime()) &&
		a.GetPhase() == b.GetPhase() && proto.Equal(a.GetValues(), b.GetValues())
}

func contentID(r *performancev1.Reading) string {
	h := sha256.New()
	v := r.GetValues()
	speed := any(v.GetAirspeedKt())
	if r.GetAirspeed() == nil {
		speed = "unread"
	}
	_, _ = fmt.Fprintf(h, "%d|%s|%v|%v|%v|%v|%v|%v|%v|%v", r.GetReadTime().AsTime().UnixMicro(), r.GetSourceId(), v.GetPressureAltitudeM(), v.GetOatC(), speed,
		v.GetTorqueNm(), v.GetPropellerSpeedRpm(), v.GetNgPct(), v.GetIttC(), v.GetFuelFlowKgH())
	return "r" + hex.EncodeToString(h.Sum(nil))[:31]
}

// recorded tells of new readings of an engine.
func (u unit) recorded(ctx context.Context, engine string, c came) error {
	return u.publish(ctx, "coldsection.engine.reading.recorded.v1", engine, &performancev1.ReadingsRecorded{
		Engine: engine, TakenCount: int32(c.taken), HeldCount: c.held, FirstReadTime: c.first, LastReadTime: c.last,
	})
}

// came is what is told of new readings.
type came struct {
	taken       int
	held        int32
	first, last *timestamppb.Timestamp // times of the oldest and of the newest
}

// add counts one more reading.
func (c *came) add(r *performancev1.Reading) {
	at := r.GetReadTime()
	if c.taken == 0 || at.AsTime().Before(c.first.AsTime()) {
		c.first = at
	}
	if c.taken == 0 || at.AsTime().After(c.last.AsTime()) {
		c.last = at
	}
	c.taken++
	c.held += heldCount(r)
}

// canonical fills the canonical values from the text as entered. Reasons: UNIT_UNKNOWN, UNIT_MISMATCH, VALUE_NOT_A_NUMBER.
func canonical(r *performancev1.Reading) error {
	v := &performancev1.ReadingValues{}
	for _, f := range []struct {
		field   string
		entered *commonv1.Entered
		into    *float64
		want    quantity.Dimension
	}{
		{"pressure_altitude", r.GetPressureAltitude(), &v.PressureAltitudeM, quantity.Length},
		{"oat", r.GetOat(), &v.OatC, quantity.Temperature},
		{"airspeed", r.GetAirspeed(), &v.AirspeedKt, quantity.Speed},
		{"torque", r.GetTorque(), &v.TorqueNm, quantity.Torque},
		{"propeller_speed", r.GetPropellerSpeed(), &v.PropellerSpeedRpm, quantity.Rotation},
		{"ng", r.GetNg(), &v.NgPct, quantity.Ratio},
		{"itt", r.GetItt(), &v.IttC, quantity.Temperature},
		{"fuel_flow", r.GetFuelFlow(), &v.FuelFlowKgH, quantity.MassFlow},
		{"operating_hours", r.GetOperatingHours(), &v.OperatingHours, quantity.Time},
	} {
		if f.entered == nil {
			continue
		}
		q, err := quantity.Typed(f.entered.GetText(), f.entered.GetUnitCode())
		if err != nil {
			return err
		}
		if q.Unit().Dimension != f.want {
			return fault.Invalid("reading."+f.field, "UNIT_MISMATCH", "%s is not read in %q. Use a unit of %s.", f.field, q.Unit().Code, f.want)
		}
		*f.into = q.Canonical()
	}
	v.OperatingHours /= 3600
	v.PowerKw = pointOf(v).Power()
	r.Values = v
	return nil
}

func pointOf(v *performancev1.ReadingValues) baseline.Point {
	return baseline.Point{
		Altitude: v.GetPressureAltitudeM(), OAT: v.GetOatC(), Airspeed: v.GetAirspeedKt(), Np: v.GetPropellerSpeedRpm(), Torque: v.GetTorqueNm(),
		ITT: v.GetIttC(), Ng: v.GetNgPct(), Fuel: v.GetFuelFlowKgH(),
	}
}

// CreateReading takes one reading in.
func (a *App) CreateReading(ctx context.Context, req *performancev1.CreateReadingRequest) (*performancev1.Reading, error) {
	profile, err := a.know(ctx, req.GetParent())
	if err != nil {
		return nil, err
	}
	return idempotency.Execute(ctx, a.DB, a.Clock, req, func(ctx context.Context, tx *storage.Tx) (*performancev1.Reading, error) {
		u := a.unit(ctx, tx)
		reading := req.GetReading()
		resource.ClearOutputOnly(reading)
		if err := timely(reading, u.now); err != nil {
			return nil, err
		}
		if err := canonical(reading); err != nil {
			return nil, err
		}
		id := req.GetReadingId()
		if id == "" {
			id = readingID(reading)
		}
		reading.Name, reading.State = profile.Name+"/readings/"+id, performancev1.Reading_ACCEPTED
		if err := store.Readings.Insert(ctx, tx, reading, u.now); err != nil {
			return nil, err
		}
		stand, err := u.extend(ctx, profile.Name, []*performancev1.Reading{reading})
		if err != nil {
			return nil, err
		}
		var c came
		c.add(stand[reading.GetName()])
		return stand[reading.GetName()], u.recorded(ctx, profile.Name, c)
	})
}

// ExcludeReading takes a reading out of the analysis; it stays visible.
func (a *App) ExcludeReading(ctx context.Context, req *performancev1.ExcludeReadingRequest) (*performancev1.Reading, error) {
	return idempotency.Execute(ctx, a.DB, a.Clock, req, func(ctx context.Context, tx *storage.Tx) (*performancev1.Reading, error) {
		return a.unit(ctx, tx).decide(ctx, req, excludedReason)
	})
}

// IncludeReading takes a held or excluded reading in after all.
func (a *App) IncludeReading(ctx context.Context, req *performancev1.IncludeReadingRequest) (*performancev1.Reading, error) {
	return idempotency.Execute(ctx, a.DB, a.Clock, req, func(ctx context.Context, tx *storage.Tx) (*performancev1.Reading, error) {
		return a.unit(ctx, tx).decide(ctx, req, includedReason)
	})
}

// A person's decision stands in the reading's reason.
const (
	excludedReason = "EXCLUDED_BY_PERSON"
	includedReason = "INCLUDED_BY_PERSON"
	heldReason     = "HELD_BY_PERSON"
	supersededWhy  = "SUPERSEDED_BY_CORRECTION"
)

// setAside are the states of readings that a person took out of the analysis, by their reason.
var setAside = map[string]performancev1.Reading_State{
	excludedReason: performancev1.Reading_EXCLUDED, heldReason: performancev1.Reading_HELD, supersededWhy: performancev1.Reading_SUPERSEDED,
}

// HoldReading keeps a reading out of the analysis until somebody decides.
func (a *App) HoldReading(ctx context.Context, req *performancev1.HoldReadingRequest) (*performancev1.Reading, error) {
	return idempotency.Execute(ctx, a.DB, a.Clock, req, func(ctx context.Context, tx *storage.Tx) (*performancev1.Reading, error) {
		return a.unit(ctx, tx).decide(ctx, req, heldReason)
	})
}

// decision is a request about one reading.
type decision interface {
	GetName() string
	GetEtag() string
	GetReason() string
}

// decide writes a person's decision and works the engine out anew.
func (u unit) decide(ctx context.Context, req decision, reason string) (*performancev1.Reading, error) {
	reading, err := u.undecided(ctx, req)
	if err != nil {
		return nil, err
	}
	reading.State, reading.StateReason, reading.StateText = performancev1.Reading_ACCEPTED, reason, req.GetReason()
	if state, aside := setAside[reason]; aside {
		reading.State = state
	}
	if err := store.Readings.Save(ctx, u.Tx, reading, u.now); err != nil {
		return nil, err
	}
	engine := engineOf(req.GetName())
	if err := u.analyse(ctx, engine); err != nil {
		return nil, err
	}
	if reading.GetState() != performancev1.Reading_ACCEPTED {
		fact := &performancev1.ReadingExcluded{Engine: engine, Reading: req.GetName(), Reason: req.GetReason()}
		if err := u.publish(ctx, "coldsection.engine.reading.excluded.v1", engine, fact); err != nil {
			return nil, err
		}
	}
	return store.Readings.Get(ctx, u.Tx, req.GetName())
}

// undecided is a reading that may still be decided on. Reasons: ETAG_MISMATCH, READING_SUPERSEDED.
func (u unit) undecided(ctx context.Context, req decision) (*performancev1.Reading, error) {
	reading, err := store.Readings.Lock(ctx, u.Tx, req.GetName())
	if err != nil {
		return nil, err
	}
	if err := resource.CheckEtag(reading, req.GetEtag()); err != nil {
		return nil, err
	}
	if by := reading.GetCorrectingReading(); by != "" {
		return nil, fault.Precondition("READING_SUPERSEDED", "%s was corrected by %s. Decide on that one.", req.GetName(), by).With("reading", by)
	}
	return reading, nil
}

// engineOf is the engine of a reading.
func engineOf(reading string) string {
	engine, _, _ := strings.Cut(reading, "/readings/")
	return engine
}

// aside says whether a person took the reading out of the analysis.
func aside(r *performancev1.Reading) bool {
	_, ok := setAside[r.GetStateReason()]
	return ok
}
