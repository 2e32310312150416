package workorders_test

import (
	"errors"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	commonv1 "coldsection.example/proto/coldsection/common/v1"
	workordersv1 "coldsection.example/proto/coldsection/workorders/v1"
	"coldsection.example/services/platform/auth"
	"coldsection.example/services/platform/fault"
)

func (s *stage) void(o *workordersv1.WorkOrder, who string) (*workordersv1.WorkOrder, error) {
	return s.do.VoidWorkOrder(s.as(who), &workordersv1.VoidWorkOrderRequest{Name: o.GetName(), Etag: s.order(o).GetEtag(), Reason: "engine was sold"})
}

// Before anything is signed a planner ends an order; afterwards only quality does, and it is closed incomplete, with its reason; the
// signatures stay as they were.
func TestWhatWasSignedIsEndedByQualityOnly(t *testing.T) {
	engines(t, func(t *testing.T, s *stage) {
		plain := must[*workordersv1.WorkOrder](s)(s.void(s.started("ring-flow-check"), "pat"))
		if plain.GetClosedIncomplete() || plain.GetVoidReason() != "engine was sold" {
			t.Errorf("%v", plain)
		}
		o := s.started("ring-flow-check")
		s.work(o, "ann")
		must[*workordersv1.WorkOrder](s)(s.finish(o, "ann"))
		_, err := s.void(o, "pat")
		s.refused(err, "SIGNED_ALREADY", "Name of people/ann")
		o = must[*workordersv1.WorkOrder](s)(s.do.ReworkWorkOrder(s.as("ivy"), &workordersv1.ReworkWorkOrderRequest{Name: o.GetName(), Etag: s.order(o).GetEtag(), Reason: "again"}))
		_, err = s.void(o, "pat")
		s.refused(err, "SIGNED_ALREADY")
		o = must[*workordersv1.WorkOrder](s)(s.void(o, "quinn"))
		if !o.GetClosedIncomplete() || o.GetState() != workordersv1.WorkOrder_VOIDED || len(s.signatures(o)) != 1 || !strings.Contains(s.told(o, "voided"), `"closedIncomplete":true`) {
			t.Errorf("%v, told %s", o, s.told(o, "voided"))
		}
	})
}

// What was taken out is counted back in: the count of the step that restores is that of the steps before it, an order is not ended
// while something is out, and a count of nothing needs its note.
func TestWhatWentOutIsCountedBack(t *testing.T) {
	engines(t, func(t *testing.T, s *stage) {
		o := s.started("sense-line-heater-check")
		steps := s.steps(o)
		first := steps[0]
		s.prepare(first, "ann")
		must[*workordersv1.Step](s)(s.do.CompleteStep(s.as("ann"), &workordersv1.CompleteStepRequest{Name: first.GetName(), RemovedItemCount: 2}))
		_, err := s.void(o, "pat")
		s.refused(err, "RESTORE_OPEN", "2 items")
		for _, step := range steps[1:] {
			if step.GetKind() == workordersv1.StepKind_STEP_KIND_RESTORE_AND_COUNT {
				first = step
				break
			}
			s.prepare(step, "ann")
			must[*workordersv1.Step](s)(s.do.CompleteStep(s.as("ann"), completion(step)))
		}
		s.prepare(first, "ann")
		count := func(out, back int32, note string) error {
			_, err := s.do.CompleteStep(s.as("ann"), &workordersv1.CompleteStepRequest{Name: first.GetName(), RemovedItemCount: out, RestoredItemCount: back, Note: note})
			return err
		}
		for _, bad := range [][2]int32{{0, 0}, {1, 1}, {3, 3}, {2, 1}, {0, 3}} {
			s.refused(count(bad[0], bad[1], "all well"), "COUNT_DIFFERS", "2 items")
		}
		_, err = s.do.CompleteStep(s.as("ann"), &workordersv1.CompleteStepRequest{Name: first.GetName(), NotApplicable: true, Note: "n/a"})
		s.refused(err, "STEP_CRITICAL")
		if err := count(2, 2, ""); err != nil {
			t.Fatal(err)
		}
		must[*workordersv1.WorkOrder](s)(s.void(o, "pat"))
	})
}

// A restore step of a card whose other steps took nothing out needs both numbers or a note.
func TestACountOfNothingNeedsItsNote(t *testing.T) {
	engines(t, func(_ *testing.T, s *stage) {
		card := &workordersv1.TaskCard{
			DisplayName: "Restore", Kind: workordersv1.TaskCard_OTHER, Document: &commonv1.DocumentReference{Title: "Invented data"}, InspectionRequired: true,
			Steps: []*workordersv1.CardStep{{Title: "Restore", Kind: workordersv1.StepKind_STEP_KIND_RESTORE_AND_COUNT}},
		}
		must[*workordersv1.TaskCard](s)(s.do.CreateTaskCard(s.as("pat"), &workordersv1.CreateTaskCardRequest{TaskCardId: "restore", TaskCard: card}))
		step := s.steps(s.started("restore"))[0]
		_, err := s.do.CompleteStep(s.as("ann"), &workordersv1.CompleteStepRequest{Name: step.GetName()})
		s.refused(err, "COUNT_MISSING")
		must[*workordersv1.Step](s)(s.do.CompleteStep(s.as("ann"), &workordersv1.CompleteStepRequest{Name: step.GetName(), Note: "Nothing was taken out"}))
	})
}

// Cases SGN-08 and SGN-09 (145.A.50(a), (c), (e)): an order with an open step is not signed; one that is left undone, with the
// agreement of who answers for the aircraft, is, and the release states it whether or not the releaser says so.
func TestAStepLeftUndoneIsAgreedAndStated(t *testing.T) {
	engines(t, func(t *testing.T, s *stage) {
		o := s.started("ring-flow-check")
		steps := s.steps(o)
		s.prepare(steps[0], "ann")
		must[*workordersv1.Step](s)(s.do.CompleteStep(s.as("ann"), completion(steps[0])))
		_, err := s.finish(o, "ann")
		s.refused(err, "STEPS_OPEN", "Step 2")
		omit := func(who, step string) (*workordersv1.Step, error) {
			return s.do.OmitStep(s.as(who), &workordersv1.OmitStepRequest{Name: step, Reason: "no gauge", Agreement: "operator declined, letter of 2026-03-14"})
		}
		_, err = omit("ann", steps[1].GetName())
		s.refused(err, "ROLE_MISSING")
		_, err = omit("pat", steps[0].GetName())
		s.refused(err, "STATE_NOT_ALLOWED", "DONE")
		must[*workordersv1.Step](s)(omit("pat", steps[1].GetName()))
		must[*workordersv1.WorkOrder](s)(s.finish(o, "ann"))
		o = must[*workordersv1.WorkOrder](s)(s.release(o))
		want := "Not done: step 2, Catch the flow for a minute (no gauge; operator declined, letter of 2026-03-14)"
		if !strings.Contains(o.GetReleaseStatement(), want) || !strings.Contains(s.told(o, "released"), "no gauge") {
			t.Errorf("%s; told %s", o.GetReleaseStatement(), s.told(o, "released"))
		}
		for _, step := range s.steps(s.started("sense-line-heater-check")) {
			if step.GetCritical() {
				_, err = omit("pat", step.GetName())
				s.refused(err, "STEP_CRITICAL")
			}
		}
	})
}

// A step that wants a signature of its own gets it from who did it, with a fresh proof, over what was shown; without it the order is
// not signed, and a correction after it is seen.
func TestAStepIsSignedByWhoDidIt(t *testing.T) {
	engines(t, func(t *testing.T, s *stage) {
		card := &workordersv1.TaskCard{
			DisplayName: "Torque", Kind: workordersv1.TaskCard_OTHER, Document: &commonv1.DocumentReference{Title: "Invented data"}, InspectionRequired: true,
			Steps: []*workordersv1.CardStep{
				{Title: "Tighten", Kind: workordersv1.StepKind_STEP_KIND_DO, SignatureRequired: true},
				{Title: "Look", Kind: workordersv1.StepKind_STEP_KIND_WITNESS, SignatureRequired: true},
			},
		}
		must[*workordersv1.TaskCard](s)(s.do.CreateTaskCard(s.as("pat"), &workordersv1.CreateTaskCardRequest{TaskCardId: "torque", TaskCard: card}))
		o := s.started("torque")
		steps := s.steps(o)
		show := func(step *workordersv1.Step) *workordersv1.PreviewSignatureResponse {
			return must[*workordersv1.PreviewSignatureResponse](s)(s.look.PreviewSignature(s.as("ann"), &workordersv1.PreviewSignatureRequest{
				Name: step.GetName(), Meaning: commonv1.Signature_PERFORMED,
			}))
		}
		sign := func(who, token string, step *workordersv1.Step, hash string) (*workordersv1.Step, error) {
			return s.do.SignStep(s.as(who), &workordersv1.SignStepRequest{Name: step.GetName(), ReauthenticationToken: token, ContentHash: hash})
		}
		if shown := show(steps[0]); len(shown.GetMissing()) != 1 {
			t.Errorf("missing: %v", shown.GetMissing())
		}
		early := show(steps[0]).GetContentHash()
		_, err := sign("ann", s.proof("ann"), steps[0], early)
		s.refused(err, "STATE_NOT_ALLOWED", "OPEN")
		s.work(o, "ann")
		_, err = s.finish(o, "ann")
		s.refused(err, "STEP_NOT_SIGNED", "Tighten", "Look")
		_, err = sign("ann", s.proof("ann"), steps[0], early)
		s.refused(err, "CONTENT_CHANGED")
		_, err = sign("bob", s.proof("bob"), steps[0], show(steps[0]).GetContentHash())
		s.refused(err, "NOT_YOUR_STEP", "people/ann")
		_, err = sign("ann", s.proof("bob"), steps[0], show(steps[0]).GetContentHash())
		s.refused(err, "REAUTHENTICATION_NEEDED")
		done := must[*workordersv1.Step](s)(sign("ann", s.proof("ann"), steps[0], show(steps[0]).GetContentHash()))
		_, err = sign("ann", s.proof("ann"), steps[0], show(steps[0]).GetContentHash())
		s.refused(err, "ALREADY_SIGNED", done.GetSignature())
		must[*workordersv1.Step](s)(sign("ivy", s.proof("ivy"), steps[1], show(steps[1]).GetContentHash()))
		s.clock.Advance(time.Minute)
		must[*workordersv1.WorkOrder](s)(s.finish(o, "ann"))
		o = must[*workordersv1.WorkOrder](s)(s.do.ReworkWorkOrder(s.as("ian"), &workordersv1.ReworkWorkOrderRequest{Name: o.GetName(), Etag: s.order(o).GetEtag(), Reason: "again"}))
		meanings := map[commonv1.Signature_Meaning]bool{}
		for _, sig := range s.signatures(o) {
			check := must[*workordersv1.VerifySignatureResponse](s)(s.look.VerifySignature(s.as("ann"), &workordersv1.VerifySignatureRequest{Name: sig.GetName()}))
			if wanted := sig.GetSubject() != ""; check.GetValid() != wanted {
				t.Errorf("%s of %q: %v", sig.GetMeaning(), sig.GetSubject(), check)
			}
			meanings[sig.GetMeaning()] = true
		}
		if !meanings[commonv1.Signature_WITNESSED] || !meanings[commonv1.Signature_PERFORMED] {
			t.Errorf("%v", meanings)
		}
	})
}

// Nobody writes down time for somebody else.
func TestTimeIsWrittenDownByWhoWorked(t *testing.T) {
	engines(t, func(t *testing.T, s *stage) {
		o := s.started("ring-flow-check")
		s.clock.Advance(time.Hour)
		entry := func(who, of string) (*workordersv1.LabourEntry, error) {
			return s.do.CreateLabourEntry(s.as(who), &workordersv1.CreateLabourEntryRequest{Parent: o.GetName(), LabourEntry: &workordersv1.LabourEntry{
				Person: of, StartTime: timestamppb.New(morning), EndTime: timestamppb.New(morning.Add(time.Minute)),
			}})
		}
		_, err := entry("ann", "people/bob")
		s.refused(err, "LABOUR_OF_ANOTHER", "people/bob")
		if e := must[*workordersv1.LabourEntry](s)(entry("ann", "people/ann")); e.GetPerson() != "people/ann" || s.count("labour_entries") != 1 {
			t.Errorf("%v", e)
		}
	})
}

// The same minutes of one person, told to two orders at the same moment, are counted once; those of two persons both are.
func TestMinutesAreWorkedOnce(t *testing.T) {
	engines(t, func(t *testing.T, s *stage) {
		orders := []*workordersv1.WorkOrder{s.started("recovery-wash"), s.started("salt-rinse")}
		s.clock.Advance(12 * time.Hour)
		for round := range 5 {
			var wait sync.WaitGroup
			results := make([]error, 2*len(orders))
			for i := range results {
				wait.Go(func() {
					_, results[i] = s.worked(orders[i%2], []string{"ann", "bob"}[i/2], 7*60+round*10+i%2, 7*60+round*10+9)
				})
			}
			wait.Wait()
			for person, pair := range [][]error{results[:2], results[2:]} {
				if taken, twice := slices.Contains(pair, nil), fault.HasReason(errors.Join(pair...), "LABOUR_OVERLAPS"); !taken || !twice {
					t.Errorf("round %d, person %d: %v", round, person, pair)
				}
			}
		}
		if n := s.count("labour_entries"); n != 10 {
			t.Errorf("%d entries", n)
		}
	})
}

// Two orders of one engine that record the same minute of its starter at the same moment: one is taken, the other one refused.
func TestOneStarterRunsOnce(t *testing.T) {
	engines(t, func(t *testing.T, s *stage) {
		orders := []*workordersv1.WorkOrder{s.started("recovery-wash"), s.started("salt-rinse")}
		s.clock.Advance(time.Hour)
		for round := range 5 {
			var wait sync.WaitGroup
			results := make([]error, len(orders))
			for i, o := range orders {
				wait.Go(func() { _, results[i] = s.ran(o, round*300, round*300+20+i, false) })
			}
			wait.Wait()
			taken, overlapping := 0, 0
			for _, err := range results {
				switch {
				case err == nil:
					taken++
				case fault.HasReason(err, "RUNS_OVERLAP"):
					overlapping++
				default:
					t.Error(err)
				}
			}
			if taken != 1 || overlapping != 1 {
				t.Errorf("round %d: %v", round, results)
			}
		}
		if n := s.count("motoring_runs"); n != 5 {
			t.Errorf("%d runs", n)
		}
	})
}

// No later step is done before a hold point is, and it is neither left out nor left undone; a witness is another person.
func TestAHoldPointStopsTheWork(t *testing.T) {
	engines(t, func(t *testing.T, s *stage) {
		c := card(
			&workordersv1.CardStep{Title: "Wait for the chief", Kind: workordersv1.StepKind_STEP_KIND_HOLD_POINT},
			&workordersv1.CardStep{Title: "Go on", Kind: workordersv1.StepKind_STEP_KIND_DO},
			&workordersv1.CardStep{Title: "See it", Kind: workordersv1.StepKind_STEP_KIND_WITNESS},
		)
		must[*workordersv1.TaskCard](s)(s.newCard(c))
		o := s.started("own")
		steps := s.steps(o)
		_, err := s.do.CompleteStep(s.as("ann"), completion(steps[1]))
		s.refused(err, "STEP_ORDER", "Wait for the chief")
		skip := completion(steps[0])
		skip.NotApplicable, skip.Note = true, "in a hurry"
		_, err = s.do.CompleteStep(s.as("ann"), skip)
		s.refused(err, "STEP_CRITICAL")
		_, err = s.do.OmitStep(s.as("quinn"), &workordersv1.OmitStepRequest{Name: steps[0].GetName(), Reason: "in a hurry", Agreement: "none"})
		s.refused(err, "STEP_CRITICAL")
		for _, step := range steps[:2] {
			must[*workordersv1.Step](s)(s.do.CompleteStep(s.as("sam"), completion(step)))
		}
		_, err = s.do.CompleteStep(s.as("sam"), completion(steps[2]))
		s.refused(err, "SAME_PERSON", "You ")
		if seen := must[*workordersv1.Step](s)(s.do.CompleteStep(s.as("ivy"), completion(steps[2]))); seen.GetPerformer() != "people/ivy" {
			t.Errorf("%v", seen)
		}
	})
}

// An ERP lists time worked across orders and is told each entry with its person, times and exact seconds.
func TestAnERPSeesTheTimeWorked(t *testing.T) {
	engines(t, func(t *testing.T, s *stage) {
		o := s.started("ring-flow-check")
		s.clock.Advance(3 * time.Hour)
		must[*workordersv1.LabourEntry](s)(s.worked(o, "ann", 8*60, 9*60+20))
		must[*workordersv1.LabourEntry](s)(s.worked(o, "bob", 9*60, 10*60))
		erp := auth.NewContext(s.t.Context(), auth.Identity{Account: "accounts/erp", Roles: []string{"integrator"}, Kind: auth.Machine})
		listed := must[*workordersv1.ListLabourEntriesResponse](s)(s.look.ListLabourEntries(erp, &workordersv1.ListLabourEntriesRequest{Parent: "workOrders/-"})).GetLabourEntries()
		seconds := int64(0)
		for _, e := range listed {
			seconds += e.GetWorkedSeconds()
		}
		if len(listed) != 2 || seconds != 4800+3600 {
			t.Errorf("%d s: %v", seconds, listed)
		}
		if told := s.told(o, "labour.recorded"); !strings.Contains(told, `"person":"people/bob"`) || !strings.Contains(told, `"workedSeconds":"3600"`) {
			t.Errorf("told: %s", told)
		}
		for name, all := range map[string]func(parent string) (int, error){
			"steps": func(parent string) (int, error) {
				resp, err := s.look.ListSteps(erp, &workordersv1.ListStepsRequest{Parent: parent})
				return len(resp.GetSteps()), err
			},
			"measurements": func(parent string) (int, error) {
				resp, err := s.look.ListMeasurements(erp, &workordersv1.ListMeasurementsRequest{Parent: parent})
				return len(resp.GetMeasurements()), err
			},
		} {
			own, err := all(o.GetName())
			every, otherErr := all("workOrders/-")
			if err != nil || otherErr != nil || every < own || name == "steps" && every == 0 {
				t.Errorf("%s of all orders: %d of at least %d, %v %v", name, every, own, err, otherErr)
			}
		}
		_, err := s.do.CreateLabourEntry(erp, &workordersv1.CreateLabourEntryRequest{Parent: o.GetName(), LabourEntry: &workordersv1.LabourEntry{StartTime: minutes(0), EndTime: minutes(1)}})
		s.refused(err, "ROLE_MISSING")
	})
}
