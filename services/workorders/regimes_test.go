package workorders_test

import (
	"slices"
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"

	commonv1 "coldsection.example/proto/coldsection/common/v1"
	workordersv1 "coldsection.example/proto/coldsection/workorders/v1"
)

func (s *stage) regime(id string) *workordersv1.Regime {
	s.t.Helper()
	return must[*workordersv1.Regime](s)(s.look.GetRegime(s.as("ann"), &workordersv1.GetRegimeRequest{Name: "regimes/" + id}))
}

// kittedUnder is an order of a card under a regime, that can be started.
func (s *stage) kittedUnder(card, regime string) *workordersv1.WorkOrder {
	s.t.Helper()
	o := s.kitted(card)
	return must[*workordersv1.WorkOrder](s)(s.do.UpdateWorkOrder(s.as("pat"), &workordersv1.UpdateWorkOrderRequest{
		WorkOrder: &workordersv1.WorkOrder{Name: o.GetName(), Etag: o.GetEtag(), Regime: "regimes/" + regime},
	}))
}

// under is an order of a card under a regime, that ann is doing.
func (s *stage) under(card, regime string) *workordersv1.WorkOrder {
	s.t.Helper()
	o := s.kittedUnder(card, regime)
	return must[*workordersv1.WorkOrder](s)(s.do.StartWorkOrder(s.as("ann"), &workordersv1.StartWorkOrderRequest{Name: o.GetName(), Etag: o.GetEtag()}))
}

// The release is worded as the order's regime says, with every slot filled; a new revision words the next release, and what was
// signed keeps its text.
func TestTheRegimeWordsTheRelease(t *testing.T) {
	engines(t, func(t *testing.T, s *stage) {
		release := func() *workordersv1.WorkOrder {
			o := s.under("sense-line-heater-check", "easa-145")
			s.work(o, "ann")
			must[*workordersv1.WorkOrder](s)(s.finish(o, "ann"))
			must[*workordersv1.WorkOrder](s)(s.inspect(o, "ian", ""))
			return must[*workordersv1.WorkOrder](s)(s.release(o))
		}
		first := release()
		for _, words := range []string{
			first.GetNumber(), "completed on 2026-03-14 at 1234:00 h since new, 99 cycles", "Not done: none", "Deferred: none", "Independent inspection by Name of people/ian, C-people/ian",
			"carried out in accordance with Part-145", "confirmed against approved data",
		} {
			if !strings.Contains(first.GetReleaseStatement(), words) {
				t.Errorf("%q is not in %s", words, first.GetReleaseStatement())
			}
		}
		r, _ := proto.Clone(s.regime("easa-145")).(*workordersv1.Regime)
		r.ReleasedText = "Order {number} is released. Not done: {not_done}. Deferred: {deferred}."
		create := func(who string, r *workordersv1.Regime) (*workordersv1.Regime, error) {
			return s.do.CreateRegime(s.as(who), &workordersv1.CreateRegimeRequest{RegimeId: "easa-145", Regime: r})
		}
		_, err := create("pat", r)
		s.refused(err, "ROLE_MISSING")
		broken, _ := proto.Clone(r).(*workordersv1.Regime)
		broken.ReleasedText = "{number} {nobody}"
		_, err = create("quinn", broken)
		s.refused(err, "PATTERN_UNKNOWN", "{nobody}")
		must[*workordersv1.Regime](s)(create("quinn", r))
		second := release()
		if second.GetRegimeRevision() != 2 || !strings.HasPrefix(second.GetReleaseStatement(), "Order "+second.GetNumber()+" is released.") {
			t.Errorf("revision %d: %s", second.GetRegimeRevision(), second.GetReleaseStatement())
		}
		for _, o := range []*workordersv1.WorkOrder{first, second} {
			for _, sig := range s.signatures(o) {
				if check := must[*workordersv1.VerifySignatureResponse](s)(s.look.VerifySignature(s.as("ann"), &workordersv1.VerifySignatureRequest{Name: sig.GetName()})); !check.GetValid() {
					t.Errorf("%s: %s", sig.GetMeaning(), check.GetExplanation())
				}
			}
		}
		old := must[*workordersv1.Regime](s)(s.look.GetRegime(s.as("ann"), &workordersv1.GetRegimeRequest{Name: "regimes/easa-145", Revision: 1}))
		list := must[*workordersv1.ListRegimesResponse](s)(s.look.ListRegimes(s.as("ann"), &workordersv1.ListRegimesRequest{}))
		if !old.GetSample() || s.regime("easa-145").GetSample() || len(list.GetRegimes()) != 4 {
			t.Errorf("revisions: %v and %v of %d", old.GetSample(), s.regime("easa-145").GetSample(), len(list.GetRegimes()))
		}
		_, err = s.do.CreateWorkOrder(s.as("pat"), &workordersv1.CreateWorkOrderRequest{
			WorkOrder: &workordersv1.WorkOrder{Engine: engine, TaskCard: "taskCards/ground-run", Regime: "regimes/none"},
		})
		s.refused(err, "REGIME_UNKNOWN", "regimes/none")
	})
}

// What is signed is what was shown, text and records: a release with something not done is not the one that was shown without.
func TestTheTextThatWasShownIsTheOneSigned(t *testing.T) {
	engines(t, func(_ *testing.T, s *stage) {
		o := s.started("ring-flow-check")
		s.work(o, "ann")
		must[*workordersv1.WorkOrder](s)(s.finish(o, "ann"))
		shown := s.preview(o, commonv1.Signature_RELEASED)
		_, err := s.do.ReleaseWorkOrder(s.as("rob"), &workordersv1.ReleaseWorkOrderRequest{
			Name: o.GetName(), Etag: shown.GetEtag(), ReauthenticationToken: s.proof("rob"), ContentHash: shown.GetContentHash(), NotDone: []string{"the second ring"},
		})
		s.refused(err, "CONTENT_CHANGED")
	})
}

// Cases SGN-01 and SGN-03 (14 CFR 43.9(a)): an entry without the kind and number of the certificate, or without the name of who did
// it, is not made; SGN-02: the card's reference to data stands for the description, so that one with both is accepted.
func TestAnEntrySaysWhoAndOnWhichCertificate(t *testing.T) {
	engines(t, func(t *testing.T, s *stage) {
		o := s.started("ring-flow-check")
		s.work(o, "ann")
		for missing, change := range map[string]func(n *neighbours){
			"the kind and number of the certificate": func(n *neighbours) { n.nameless, n.uncertified = false, true },
			"the name of the person":                 func(n *neighbours) { n.nameless, n.uncertified = true, false },
		} {
			s.near.change(change)
			_, err := s.finish(o, "ann")
			s.refused(err, "ENTRY_INCOMPLETE", missing)
		}
		if n := s.count("signatures"); n != 0 {
			t.Errorf("%d signatures", n)
		}
		s.near.change(func(n *neighbours) { n.nameless, n.uncertified = false, false })
		must[*workordersv1.WorkOrder](s)(s.finish(o, "ann"))
		if sig := s.signatures(o)[0]; !strings.Contains(sig.GetStatement(), "card taskCards/ring-flow-check revision 1") {
			t.Error(sig.GetStatement())
		}
	})
}

// Case SGN-04 (14 CFR 43.11(a)(2)): the entry of an inspection is refused without the aircraft's total time and states it.
func TestAnInspectionStatesTheTotalTime(t *testing.T) {
	engines(t, func(t *testing.T, s *stage) {
		finish := func(counters *workordersv1.Counters) *workordersv1.WorkOrder {
			o := s.under("ring-flow-check", "faa-inspection")
			s.work(o, "ann")
			shown := s.preview(o, commonv1.Signature_PERFORMED)
			must[*workordersv1.WorkOrder](s)(s.do.FinishWorkOrder(s.as("ann"), &workordersv1.FinishWorkOrderRequest{
				Name: o.GetName(), Etag: shown.GetEtag(), ReauthenticationToken: s.proof("ann"), ContentHash: shown.GetContentHash(), EndCounters: counters,
			}))
			s.clock.Advance(time.Minute)
			return o
		}
		_, err := s.release(finish(nil))
		s.refused(err, "ENTRY_INCOMPLETE", "total time in service")
		o := must[*workordersv1.WorkOrder](s)(s.release(finish(&workordersv1.Counters{OperatingSeconds: 1235 * 3600, Cycles: 100, Starts: 121, AircraftSeconds: 4321*3600 + 36*60})))
		if !strings.Contains(o.GetReleaseStatement(), "aircraft total time 4321:36 h") {
			t.Error(o.GetReleaseStatement())
		}
	})
}

// Cases PER-01 and PER-02 (14 CFR 43.7, 145.157, 145.161; 145.A.35): compliance is asked about the civil day at the place of work, so
// that the last day of an authorization counts there and the day after does not.
func TestTheLastDayOfAnAuthorizationCounts(t *testing.T) {
	engines(t, func(_ *testing.T, s *stage) {
		o := s.started("ring-flow-check")
		s.work(o, "ann")
		s.near.change(func(n *neighbours) { n.last["people/ann perform"] = 20260314 })
		s.clock.Set(time.Date(2026, 3, 14, 15, 0, 0, 0, time.UTC)) // midnight in Tokyo: the 15th
		_, err := s.finish(o, "ann")
		s.refused(err, "AUTHORIZATION_LAPSED")
		s.clock.Set(time.Date(2026, 3, 14, 14, 59, 59, 0, time.UTC))
		must[*workordersv1.WorkOrder](s)(s.finish(o, "ann"))
	})
}

// Cases TOOL-05 (a tool in quarantine), PER-07 (another type of engine) and PER-09 (a ground run, for which AMC 145.A.35(a) wants
// training of its own): each gate that is closed stops the entry with its own reason, and nothing is recorded.
func TestAClosedGateStopsWithItsReason(t *testing.T) {
	engines(t, func(t *testing.T, s *stage) {
		o := s.started("ground-run")
		steps := s.steps(o)
		s.prepare(steps[0], "ann")
		s.near.change(func(n *neighbours) { n.lapsed["people/ann perform"] = "SCOPE_MISSING" })
		_, err := s.do.CompleteStep(s.as("ann"), completion(steps[0]))
		s.refused(err, "SCOPE_MISSING")
		s.near.change(func(n *neighbours) { clear(n.lapsed) })
		must[*workordersv1.Step](s)(s.do.CompleteStep(s.as("ann"), completion(steps[0])))
		s.prepare(steps[1], "ann")
		if !slices.Contains(steps[1].GetRequiredAuthorizations(), "ground-run") {
			t.Fatal("the run asks for no authorization")
		}
		s.near.change(func(n *neighbours) { n.lapsed["people/ann ground-run"] = "SCOPE_MISSING" })
		_, err = s.do.CompleteStep(s.as("ann"), completion(steps[1]))
		s.refused(err, "SCOPE_MISSING", "ground-run")
		s.near.change(func(n *neighbours) { n.quarantined = true })
		readings := s.count("measurements")
		_, err = s.do.CreateMeasurement(s.as("ann"), reading(steps[1], "ng_before", "90", "%"))
		s.refused(err, "TOOL_QUARANTINED", gauge)
		if n := s.count("measurements"); n != readings {
			t.Errorf("%d readings", n)
		}
	})
}
