package workorders_test

import (
	"bytes"
	"context"
	"encoding/json"
	"maps"
	"net/http"
	"net/http/httptest"
	"path/filepath"
	"slices"
	"testing"
	"time"

	"github.com/grpc-ecosystem/grpc-gateway/v2/runtime"
	"google.golang.org/protobuf/types/known/timestamppb"

	commonv1 "coldsection.example/proto/coldsection/common/v1"
	workordersv1 "coldsection.example/proto/coldsection/workorders/v1"
	"coldsection.example/services/platform/auth"
	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/storage"
)

// parts are the ways in which a person takes part in work; each makes its person, who is a technician, a worker of the order.
var parts = map[string]func(s *stage, o *workordersv1.WorkOrder, who string){
	"step": func(s *stage, o *workordersv1.WorkOrder, who string) {
		step := s.steps(o)[0]
		s.prepare(step, who)
		must[*workordersv1.Step](s)(s.do.CompleteStep(s.as(who), completion(step)))
	},
	"reading": func(s *stage, o *workordersv1.WorkOrder, who string) {
		s.acknowledge(s.steps(o)[3], who)
		must[*workordersv1.Measurement](s)(s.do.CreateMeasurement(s.as(who), reading(s.steps(o)[3], "container_pressure", "262", "kPa")))
	},
	"correction": func(s *stage, o *workordersv1.WorkOrder, who string) {
		s.acknowledge(s.steps(o)[3], "bob")
		m := must[*workordersv1.Measurement](s)(s.do.CreateMeasurement(s.as("bob"), reading(s.steps(o)[3], "container_pressure", "262", "kPa")))
		must[*workordersv1.Measurement](s)(s.do.SupersedeMeasurement(s.as(who), &workordersv1.SupersedeMeasurementRequest{Name: m.GetName(), Entered: m.GetEntered(), Reason: "misread"}))
	},
	"paper": func(s *stage, o *workordersv1.WorkOrder, who string) {
		s.acknowledge(s.steps(o)[3], who)
		req := reading(s.steps(o)[3], "container_pressure", "262", "kPa")
		req.Measurement.PaperEntry, req.Measurement.MeasureTime = true, timestamppb.New(s.clock.Now().Add(-90*time.Second))
		must[*workordersv1.Measurement](s)(s.do.CreateMeasurement(s.as(who), req))
	},
	"run": func(s *stage, o *workordersv1.WorkOrder, who string) {
		at := s.clock.Now().Sub(morning)
		must[*workordersv1.MotoringRun](s)(s.ranBy(o, who, int(at.Seconds()), int(at.Seconds())+20))
	},
	"signature": func(*stage, *workordersv1.WorkOrder, string) {},
}

// doors are the ways into the service: its own port, the REST paths of the contract over it, and another account of the same person.
// Orders are not imported: what was written on paper is entered, and whoever entered it took part. The console's pages use the REST paths.
var doors = map[string]func(s *stage, rest http.Handler, who string, req *workordersv1.InspectWorkOrderRequest) error{
	"service port": func(s *stage, _ http.Handler, who string, req *workordersv1.InspectWorkOrderRequest) error {
		_, err := s.do.InspectWorkOrder(s.as(who), req)
		return err
	},
	"another account": func(s *stage, _ http.Handler, who string, req *workordersv1.InspectWorkOrderRequest) error {
		id := identity(who)
		id.Account += "-second"
		token, err := s.keys.MintProof(auth.Reauth{Account: id.Account, Person: id.Person, ID: s.proofs.New(), At: s.clock.Now(), Method: "password"})
		if err != nil {
			return err
		}
		req.ReauthenticationToken = token
		_, err = s.do.InspectWorkOrder(auth.NewContext(s.t.Context(), id), req)
		return err
	},
	"rest": func(s *stage, rest http.Handler, who string, req *workordersv1.InspectWorkOrderRequest) error {
		body, err := json.Marshal(map[string]string{"etag": req.GetEtag(), "reauthenticationToken": req.GetReauthenticationToken(), "contentHash": req.GetContentHash()})
		if err != nil {
			return err
		}
		answer := httptest.NewRecorder()
		rest.ServeHTTP(answer, httptest.NewRequestWithContext(s.as(who), http.MethodPost, "/v1/"+req.GetName()+":inspect", bytes.NewReader(body)))
		if answer.Code == http.StatusOK {
			return nil
		}
		return fault.Denied(answer.Header().Get("Reason"), "%d %s", answer.Code, answer.Body)
	},
}

// Everybody, with every combination of roles, tries to inspect work in which one person took part in one way, through every door:
// only an inspector who took no part gets through, whatever way it was. Facts that arrive again move nothing.
func TestTheTwoPersonMatrixHasNoBypass(t *testing.T) {
	s := open(t, storage.Config{Engine: storage.SQLite, Path: filepath.Join(t.TempDir(), "w.db")})
	rest := runtime.NewServeMux(runtime.WithErrorHandler(func(_ context.Context, _ *runtime.ServeMux, _ runtime.Marshaler, w http.ResponseWriter, _ *http.Request, err error) {
		if f, ok := fault.As(err); ok {
			w.Header().Set("Reason", f.Reason)
		}
		w.WriteHeader(http.StatusForbidden)
	}))
	if err := workordersv1.RegisterWorkOrdersServiceHandlerClient(s.t.Context(), rest, s.do); err != nil {
		t.Fatal(err)
	}
	tried, passed := 0, 0
	for part, take := range parts {
		for _, worker := range []string{"ann", "sam", "mia"} {
			o := s.started("recovery-wash")
			take(s, o, worker)
			s.work(o, "bob")
			signer := "bob"
			if part == "signature" {
				signer = worker
			}
			must[*workordersv1.WorkOrder](s)(s.finish(o, signer))
			s.hear("again-"+o.GetNumber(), met(o))
			for who, has := range roles {
				for door, enter := range doors {
					want := ""
					switch {
					case !slices.Contains(has, "inspector"):
						want = "ROLE_MISSING"
					case who == worker:
						want = "SAME_PERSON"
					}
					if want == "" {
						continue // who may is tried last, since it moves the order
					}
					tried++
					err := enter(s, rest, who, s.inspection(o, who))
					if now := s.order(o); !fault.HasReason(err, want) || now.GetState() != workordersv1.WorkOrder_FINISHED {
						t.Errorf("%s took part by %s; %s inspects through %s: %v, want %s; the order is %s", worker, part, who, door, err, want, now.GetState())
					}
				}
			}
			if err := doors["rest"](s, rest, "ian", s.inspection(o, "ian")); err != nil {
				t.Errorf("ian took no part in %s by %s: %v", worker, part, err)
			}
			passed++
			s.hear("once-more-"+o.GetNumber(), met(o))
			if now := s.order(o); now.GetState() != workordersv1.WorkOrder_INSPECTED {
				t.Errorf("a repeated fact made it %s", now.GetState())
			}
			s.clock.Advance(seriesGap)
		}
	}
	t.Logf("%d attempts were refused, %d orders inspected by another person", tried, passed)
}

// inspection is a request to inspect as the record is shown now, with a fresh proof.
func (s *stage) inspection(o *workordersv1.WorkOrder, who string) *workordersv1.InspectWorkOrderRequest {
	shown := s.preview(o, commonv1.Signature_INSPECTED)
	return &workordersv1.InspectWorkOrderRequest{Name: o.GetName(), Etag: shown.GetEtag(), ReauthenticationToken: s.proof(who), ContentHash: shown.GetContentHash()}
}

// A step of inspection is refused to whoever took part, in whatever way; and who looked takes no part afterwards: no reading of what
// was looked at, no correction, no run of the starter, no signature for the work.
func TestALookStaysTheLookOfAnotherPerson(t *testing.T) {
	engines(t, func(_ *testing.T, s *stage) {
		for _, part := range slices.Sorted(maps.Keys(parts)) {
			o := s.started("recovery-wash")
			parts[part](s, o, "sam")
			steps := s.steps(o)
			look := steps[len(steps)-1]
			for _, step := range steps[:len(steps)-1] {
				if step.GetState() == workordersv1.Step_OPEN {
					s.prepare(step, "bob")
					must[*workordersv1.Step](s)(s.do.CompleteStep(s.as("bob"), completion(step)))
				}
			}
			s.acknowledge(look, "sam")
			_, err := s.do.CompleteStep(s.as("sam"), completion(look))
			if part != "signature" {
				s.refused(err, "SAME_PERSON", "You did work of", "Ask another person")
				s.clock.Advance(seriesGap)
				continue
			}
			must[*workordersv1.Step](s)(nil, err) // sam took no part yet
			taken := must[*workordersv1.ListMeasurementsResponse](s)(s.look.ListMeasurements(s.as("ann"), &workordersv1.ListMeasurementsRequest{Parent: o.GetName()})).GetMeasurements()[0]
			_, err = s.do.CreateMeasurement(s.as("sam"), reading(steps[3], "container_pressure", "262", "kPa"))
			s.refused(err, "SAME_PERSON", "looked")
			_, err = s.do.SupersedeMeasurement(s.as("sam"), &workordersv1.SupersedeMeasurementRequest{Name: taken.GetName(), Entered: taken.GetEntered(), Reason: "misread"})
			s.refused(err, "SAME_PERSON", "looked")
			_, err = s.ranBy(o, "sam", 0, 20)
			s.refused(err, "SAME_PERSON", "looked")
			_, err = s.finish(o, "sam")
			s.refused(err, "SAME_PERSON", "looked")
			s.dry(o, "bob")
			must[*workordersv1.WorkOrder](s)(s.finish(o, "bob"))
		}
	})
}

// Every step of every shipped card that another person looks at is refused to whoever did any of the steps before, and to whoever is
// no inspector, for each of the people; the same holds for a step that somebody else than its performer signs.
func TestStepsOfInspectionHaveNoBypass(t *testing.T) {
	s := open(t, storage.Config{Engine: storage.SQLite, Path: filepath.Join(t.TempDir(), "w.db")})
	for _, card := range []string{"recovery-wash", "salt-rinse", "sense-line-heater-check", "temperature-trim-check"} {
		for _, worker := range []string{"sam", "mia"} {
			o := s.started(card)
			for _, step := range s.steps(o) {
				if !slices.Contains(inspections, step.GetKind()) {
					s.prepare(step, worker)
					must[*workordersv1.Step](s)(s.do.CompleteStep(s.as(worker), completion(step)))
					continue
				}
				s.everybodyLooks(t, step, worker)
			}
			s.clock.Advance(seriesGap)
		}
	}
}

func (s *stage) everybodyLooks(t *testing.T, step *workordersv1.Step, worker string) {
	t.Helper()
	for who, has := range roles {
		want := map[bool]string{true: "SAME_PERSON", false: "ROLE_MISSING"}[slices.Contains(has, "inspector")]
		if want == "SAME_PERSON" && who != worker {
			continue
		}
		if slices.Contains(has, "technician") || slices.Contains(has, "inspector") {
			s.acknowledge(step, who)
		}
		if _, err := s.do.CompleteStep(s.as(who), completion(step)); !fault.HasReason(err, want) {
			t.Errorf("%s did the work; %s looks at %q: %v, want %s", worker, who, step.GetTitle(), err, want)
		}
	}
	s.acknowledge(step, "ivy")
	done := must[*workordersv1.Step](s)(s.do.CompleteStep(s.as("ivy"), completion(step)))
	shown := must[*workordersv1.PreviewSignatureResponse](s)(s.look.PreviewSignature(s.as("ivy"), &workordersv1.PreviewSignatureRequest{
		Name: done.GetName(), Meaning: commonv1.Signature_INSPECTED,
	}))
	for _, who := range []string{"ian", worker} {
		_, err := s.do.SignStep(s.as(who), &workordersv1.SignStepRequest{Name: done.GetName(), ReauthenticationToken: s.proof(who), ContentHash: shown.GetContentHash()})
		if !fault.HasReason(err, "NOT_YOUR_STEP") {
			t.Errorf("%s signs what ivy looked at: %v", who, err)
		}
	}
}

func (s *stage) acknowledge(step *workordersv1.Step, who string) {
	s.t.Helper()
	if len(step.GetCautions()) > 0 {
		must[*workordersv1.Step](s)(s.do.AcknowledgeCautions(s.as(who), &workordersv1.AcknowledgeCautionsRequest{Name: step.GetName()}))
	}
}

// An agent, a service and an account without a person sign nothing and do nothing, whatever roles somebody gave them.
func TestMachinesSignNothing(t *testing.T) {
	s := open(t, storage.Config{Engine: storage.SQLite, Path: filepath.Join(t.TempDir(), "w.db")})
	o := s.started("ring-flow-check")
	s.work(o, "ann")
	shown := s.preview(o, commonv1.Signature_PERFORMED)
	for _, id := range []auth.Identity{
		{Account: "accounts/robot", Roles: []string{"technician"}}, {Account: "accounts/agent", Person: "people/agent", Roles: []string{"agent"}},
	} {
		ctx := auth.NewContext(context.WithoutCancel(s.t.Context()), id)
		_, err := s.do.FinishWorkOrder(ctx, &workordersv1.FinishWorkOrderRequest{
			Name: o.GetName(), Etag: shown.GetEtag(), ReauthenticationToken: s.proof("ann"), ContentHash: shown.GetContentHash(),
		})
		if err == nil || s.count("signatures") != 0 {
			t.Errorf("%s signed: %v", id.Account, err)
		}
	}
}
