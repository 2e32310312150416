package server_test

import (
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	performancev1 "coldsection.example/proto/coldsection/performance/v1"
)

// withoutSpeed is a reading without an airspeed, a minute older with each letter of its id.
func (b bench) withoutSpeed(id, phase, height, unit string) *performancev1.Reading {
	return b.read(id, func(r *performancev1.Reading) {
		r.Phase, r.PressureAltitude, r.Airspeed = phase, in(height, unit), nil
		r.ReadTime = timestamppb.New(morning.Add(-time.Duration(len(id)) * time.Minute))
	}).done(b.t)
}

// missing says whether a reading is held for its airspeed.
func missing(r *performancev1.Reading) bool {
	return r.GetState() == performancev1.Reading_HELD && r.GetStateReason() == "AIRSPEED_MISSING"
}

// What is in flight and has no airspeed is held and has no deviation; on the ground it is at 0 kt.
func TestAReadingWithoutAnAirspeed(t *testing.T) {
	benches(t, func(t *testing.T, b bench) {
		b.withModel(nil)
		for _, c := range []struct {
			id, phase, height, unit string
			missing                 bool
		}{
			{"a", "cruise", "6000", "[ft_i]", true},
			{"ab", "Climb", "1500", "m", true},
			{"abc", "", "12000", "[ft_i]", true},
			{"abcd", "ground run", "12000", "[ft_i]", false},
			{"abcde", "", "6000", "[ft_i]", false},
			{"abcdef", "take-off", "6000", "[ft_i]", false},
		} {
			r := b.withoutSpeed(c.id, c.phase, c.height, c.unit)
			if missing(r) != c.missing || c.missing != (r.GetDeviation() == nil) {
				t.Errorf("%q at %s %s: %v", c.phase, c.height, c.unit, r)
			}
		}
		if held := of(b.GetReading(b.analyst(), &performancev1.GetReadingRequest{Name: engineName + "/readings/a"})).done(t); !strings.Contains(held.GetStateText(), "calibrated airspeed") {
			t.Errorf("the next move is not said: %q", held.GetStateText())
		}
		zero := b.read("zero", func(r *performancev1.Reading) {
			r.Phase, r.Airspeed, r.ReadTime = "cruise", in("0", "[kn_i]"), timestamppb.New(morning.Add(-time.Hour))
		}).done(t)
		if !missing(zero) {
			t.Errorf("a cruise at 0 kt: %v", zero)
		}
	})
}

// A reading that is held for its airspeed is freed by a correction, by a person, and by the same row with its airspeed in the next table.
func TestAHeldAirspeedIsFreed(t *testing.T) {
	benches(t, func(t *testing.T, b bench) {
		b.withModel(nil)
		held := b.withoutSpeed("a", "cruise", "6000", "[ft_i]")
		right := proto.CloneOf(sample())
		right.ReadTime, right.Phase, right.Airspeed = held.GetReadTime(), "cruise", in("150", "[kn_i]")
		got := of(b.CorrectReading(b.analyst(), &performancev1.CorrectReadingRequest{Name: held.GetName(), Reading: right, Reason: "the log has it"})).done(t)
		if missing(got) || got.GetDeviation() == nil {
			t.Errorf("corrected: %v", got)
		}
		still := b.withoutSpeed("ab", "cruise", "6000", "[ft_i]")
		moving := got.GetDeviation().GetIttC()
		free := of(b.IncludeReading(b.analyst(), &performancev1.IncludeReadingRequest{Name: still.GetName(), Reason: "a hover"})).done(t)
		if free.GetState() != performancev1.Reading_ACCEPTED || free.GetDeviation() == nil || free.GetDeviation().GetIttC() == moving {
			t.Errorf("included: %v", free)
		}
		const row, rest = "DEMO-1,2026-09-01T06:00Z,12000,5,", ",1300,1700,94.1,655,330\n"
		for _, c := range []struct {
			row   string
			taken int32
		}{{row + rest, 1}, {row + rest, 0}, {row + "150" + rest, 1}} {
			if a := b.load(c.row).done(t); a.GetRowsTaken() != c.taken {
				t.Errorf("%q: %v", c.row, a)
			}
		}
		for _, r := range b.readings() {
			if r.GetReadTime().AsTime().Day() == 1 && missing(r) != (r.GetAirspeed() == nil) {
				t.Errorf("%v", r)
			}
		}
	})
}

// A ground run without an airspeed is what it is at 0 kt.
func TestAGroundRunIsAt0kt(t *testing.T) {
	benches(t, func(t *testing.T, b bench) {
		b.withModel(nil)
		left := b.withoutSpeed("a", "ground run", "500", "m")
		given := b.read("ab", func(r *performancev1.Reading) {
			r.Phase, r.PressureAltitude, r.Airspeed, r.ReadTime = "ground run", in("500", "m"), in("0", "[kn_i]"), timestamppb.New(morning.Add(-2*time.Minute))
		}).done(t)
		if !proto.Equal(left.GetDeviation(), given.GetDeviation()) || left.GetDeviation() == nil {
			t.Errorf("%v and %v", left, given)
		}
	})
}
