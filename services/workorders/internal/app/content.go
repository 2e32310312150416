package app

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	commonv1 "coldsection.example/proto/coldsection/common/v1"
	workordersv1 "coldsection.example/proto/coldsection/workorders/v1"
	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/recordchain"
	"coldsection.example/services/platform/resource"
	"coldsection.example/services/workorders/internal/store"
)

// content is everything that a signature of an order covers, in a fixed order, and what signing it has to look at.
type content struct {
	fields    []recordchain.Field
	open      []string            // steps that are not done
	unsigned  []string            // steps that are done and want a signature of their own
	omitted   []string            // steps left undone with agreement, as the release states them
	undried   []string            // that the drying run is missing
	findings  []string            // findings that nobody answered
	unsolved  []string            // findings to be put right, also since their deferral ended, that nobody closed; they stop a release
	carried   []string            // deferred findings and those for the customer, as the release states them
	wrong     []string            // findings that nobody closed, as the list of an inspection that was not passed has them
	looked    map[string]struct{} // steps of inspections
	steps     map[string]*workordersv1.Step
	outside   []string // readings outside their limits that nobody corrected, as every signature states them
	current   []string // step and key of each reading of a heater's current
	supply    []string // and of each of its voltage
	people    []string // who did any of the work: a step, a reading, a run of the starter, or signed for it
	corrected []string // runs of the starter that were entered anew, as every signature states them
	wetted    time.Time
}

func (c *content) add(name, format string, args ...any) {
	c.fields = append(c.fields, recordchain.Field{Name: name, Value: fmt.Sprintf(format, args...)})
}

func (c *content) worked(person string) {
	if person != "" && !slices.Contains(c.people, person) {
		c.people = append(c.people, person)
	}
}

// hash is what a signature covers: the records and the very text that was shown.
func (c *content) hash(statement string) string {
	return recordchain.Hash(append(slices.Clone(c.fields), recordchain.Field{Name: "statement", Value: statement}))
}

// refuse says what keeps the order from being signed. Reasons: STEPS_OPEN, STEP_NOT_SIGNED, DRYING_RUN_MISSING, FINDING_OPEN.
func (c *content) refuse(order string, s signing) error {
	missing := c.missing(s)
	switch {
	case len(missing) == 0:
		return nil
	case len(c.open) > 0:
		return fault.Precondition("STEPS_OPEN", "%s can't be signed yet: %s. Do what is open, or record with a note why it does not apply.", order, strings.Join(missing, "; "))
	case len(c.unsigned) > 0:
		return fault.Precondition("STEP_NOT_SIGNED", "%s can't be signed yet: %s. Have each signed by who did it.", order, strings.Join(missing, "; "))
	case len(c.undried) > 0:
		return fault.Precondition("DRYING_RUN_MISSING", "%s can't be signed yet: %s. Do the drying run and record it while the order is STARTED; once it was signed, send it back first; "+
			"where approved data allow to leave it out, a planner or quality enters why.", order, strings.Join(missing, "; "))
	default:
		return fault.Precondition("FINDING_OPEN", "%s can't be signed yet: %s. Answer each finding, and have closed what was put right.", order, strings.Join(missing, "; "))
	}
}

// missing is what must be done before signing. What an inspection found wrong does not stop the release that says so.
func (c *content) missing(s signing) []string {
	missing := slices.Concat(c.open, c.unsigned, c.undried, c.findings)
	if s.meaning == commonv1.Signature_RELEASED && !s.notAirworthy() {
		missing = append(missing, c.unsolved...)
	}
	return missing
}

// contentOf reads the order's records as they were at an instant. Only a finding can come later, while a signature before it
// still covers the work; its answer is hashed, and not whether it was closed since.
func (u unit) contentOf(ctx context.Context, o *workordersv1.WorkOrder, at time.Time) (content, error) {
	c := content{looked: map[string]struct{}{}}
	c.add("order", "%s", o.GetName())
	c.add("number", "%s", o.GetNumber())
	c.add("engine", "%s %s", o.GetEngine(), o.GetEngineSerial())
	c.add("card", "%s revision %d", o.GetTaskCard(), o.GetTaskCardRevision())
	c.add("requirements", "%s", strings.Join(o.GetRequirements(), " "))
	if ofFinding(o) {
		c.add("raised from", "%s", o.GetOrigin().GetReference())
	}
	if o.GetEnginePosition() != "" {
		c.add("fitted", "%s %s", o.GetAircraft(), o.GetEnginePosition())
	}
	if o.GetSerialRead() != "" {
		c.add("serial read", "%s", o.GetSerialRead())
	}
	s := o.GetStartCounters()
	c.paper(o.GetStartEntryTime() != nil, o.GetStartEntryTime())
	c.add("start counters", "%d %d %d", s.GetOperatingSeconds(), s.GetCycles(), s.GetStarts())
	if e := o.GetEndCounters(); o.GetState() != workordersv1.WorkOrder_STARTED && o.GetFinishTime() != nil && at.After(o.GetFinishTime().AsTime()) {
		c.add("end counters", "%d %d %d %d", e.GetOperatingSeconds(), e.GetCycles(), e.GetStarts(), e.GetAircraftSeconds())
	}
	if err := u.addSteps(ctx, o, &c); err != nil {
		return c, err
	}
	if err := u.addReadings(ctx, o, &c); err != nil {
		return c, err
	}
	if err := u.addRuns(ctx, o, &c); err != nil {
		return c, err
	}
	if err := u.addFindings(ctx, o, &c, at); err != nil {
		return c, err
	}
	if err := u.addDrying(ctx, o, &c); err != nil {
		return c, err
	}
	err := u.addSigners(ctx, o, &c)
	return c, err
}

func (u unit) addSteps(ctx context.Context, o *workordersv1.WorkOrder, c *content) error {
	steps, err := u.stepsOf(ctx, o)
	c.steps = map[string]*workordersv1.Step{}
	for _, s := range steps {
		c.steps[s.GetName()] = s
		c.addStep(s)
		c.addHeater(s)
		switch {
		case s.GetState() == workordersv1.Step_OPEN:
			c.open = append(c.open, fmt.Sprintf("Step %d, %s, is open", s.GetPosition(), s.GetTitle()))
		case s.GetState() == workordersv1.Step_OMITTED:
			c.omitted = append(c.omitted, fmt.Sprintf("step %d, %s (%s; %s)", s.GetPosition(), s.GetTitle(), s.GetNote(), s.GetAgreement()))
		case s.GetSignatureRequired() && s.GetSignature() == "":
			c.unsigned = append(c.unsigned, fmt.Sprintf("Step %d, %s, wants a signature of its own", s.GetPosition(), s.GetTitle()))
		}
		if slices.Contains(byAnother, s.GetKind()) {
			c.looked[s.GetName()] = struct{}{}
			continue
		}
		c.worked(s.GetPerformer())
	}
	return err
}

// addStep adds what was recorded on a step, but for its signature, which covers the rest.
func (c *content) addStep(s *workordersv1.Step) {
	c.addEarlier(s)
	c.add("step", "%d|%s|%s|%s|%s|%s|%d/%d", s.GetPosition(), s.GetTitle(), s.GetState(), s.GetPerformer(), stamp(s.GetCompleteTime()), s.GetNote(),
		s.GetRemovedItemCount(), s.GetRestoredItemCount())
	if s.GetAgreement() != "" {
		c.add("agreement", "%s", s.GetAgreement())
	}
	c.paper(s.GetPaperEntry(), s.GetEntryTime())
	for _, m := range s.GetMaterials() {
		c.add("material", "%s|%s %s", m.GetLot(), m.GetQuantity().GetValue(), m.GetQuantity().GetUnitCode())
	}
}

// contentOfStep is what the signature of a step covers: the step and its readings, as they were at an instant.
func (u unit) contentOfStep(ctx context.Context, o *workordersv1.WorkOrder, step *workordersv1.Step, at time.Time) (content, error) {
	c := content{looked: map[string]struct{}{}}
	c.add("order", "%s", o.GetName())
	c.add("number", "%s", o.GetNumber())
	c.add("engine", "%s %s", o.GetEngine(), o.GetEngineSerial())
	c.addStep(step)
	condition, args := store.Under(o.GetName() + "/measurements")
	readings, err := store.Measured.Where(ctx, u.Tx, condition+" AND step = $3 ORDER BY create_time, name", append(args, step.GetName())...)
	for _, m := range readings {
		if !m.GetCreateTime().AsTime().After(at) {
			c.addReading(m)
		}
	}
	return c, err
}

func (u unit) addReadings(ctx context.Context, o *workordersv1.WorkOrder, c *content) error {
	condition, args := store.Under(o.GetName() + "/measurements")
	readings, err := store.Measured.Where(ctx, u.Tx, condition+" ORDER BY create_time, name", args...)
	for _, m := range readings {
		c.addReading(m)
		c.weighReading(m)
		if _, ok := c.looked[m.GetStep()]; !ok {
			c.worked(m.GetPerson())
		}
	}
	c.fedOtherwise(readings)
	return err
}

// weighReading notes a reading that stands and is outside its limits: somebody confirmed it, and whoever signs is told.
func (c *content) weighReading(m *workordersv1.Measurement) {
	step := c.steps[m.GetStep()]
	if m.GetLimitsMet() || m.GetSuccessor() != "" || !anew(step, m) {
		return
	}
	text := fmt.Sprintf("%s, step %d, %g %s", specOf(step, m.GetKey()).GetDisplayName(), step.GetPosition(), m.GetValue(), m.GetUnitCode())
	if m.MinValue != nil || m.MaxValue != nil { // of readings from before limits were kept with them nobody knows
		text += ", limits " + limitsText(&workordersv1.MeasurementSpec{MinValue: m.MinValue, MaxValue: m.MaxValue, UnitCode: m.GetUnitCode()})
	}
	c.outside = append(c.outside, text)
}

func (c *content) addReading(m *workordersv1.Measurement) {
	c.add("reading", "%s|%s|%s %s|%s|%s|%t|%s|%s|%s|%s", m.GetStep(), m.GetKey(), m.GetEntered().GetText(), m.GetEntered().GetUnitCode(), m.GetTool(),
		m.GetToolCalibration(), m.GetLimitsMet(), m.GetPerson(), stamp(m.GetMeasureTime()), m.GetSupersedes(), m.GetReason())
	c.paper(m.GetPaperEntry(), m.GetCreateTime())
}

// paper adds that something was written on paper first, and when it was entered.
func (c *content) paper(entry bool, at *timestamppb.Timestamp) {
	if entry {
		c.add("paper", "entered %s", stamp(at))
	}
}

func (u unit) addRuns(ctx context.Context, o *workordersv1.WorkOrder, c *content) error {
	condition, args := store.Under(o.GetName() + "/motoringRuns")
	runs, err := store.Runs.Where(ctx, u.Tx, condition+" ORDER BY start_time, name", args...)
	for _, r := range runs {
		c.add("run", "%s|%s|%t|%s|%s", stamp(r.GetStartTime()), stamp(r.GetEndTime()), r.GetAborted(), r.GetExceedanceText(), r.GetPerson())
		if r.GetPurpose() != workordersv1.MotoringRun_PURPOSE_UNSPECIFIED {
			c.add("purpose", "%s", r.GetPurpose())
		}
		if r.GetSupersedes() != "" {
			c.add("corrects", "%s|%t|%s|%s", r.GetSupersedes(), r.GetWithdrawn(), r.GetReason(), stamp(r.GetCreateTime()))
			c.corrected = append(c.corrected, correctionText(runs, r))
		}
		c.paper(r.GetPaperEntry(), r.GetCreateTime())
		if r.GetPurpose() != workordersv1.MotoringRun_EARLIER {
			c.worked(r.GetPerson())
		}
		if counts(r) && r.GetPurpose() == workordersv1.MotoringRun_PURPOSE_UNSPECIFIED {
			c.wetted = r.GetEndTime().AsTime()
		}
	}
	return err
}

func (u unit) addFindings(ctx context.Context, o *workordersv1.WorkOrder, c *content, at time.Time) error {
	zone, err := u.zoneOf(ctx, o)
	if err != nil {
		return err
	}
	condition, args := store.Under(o.GetName() + "/findings")
	findings, err := store.Findings.Where(ctx, u.Tx, condition+" ORDER BY raise_time, name", args...)
	for _, f := range findings {
		if f.GetRaiseTime().AsTime().After(at) {
			continue
		}
		c.add("finding", "%s|%s|%s|%s|%s|%s|%s", f.GetDescription(), strings.Join(f.GetPhotoSha256(), " "), f.GetDisposition(), f.GetAnswer(), f.GetBasis(),
			resource.DateText(f.GetLimitDate()), resource.DateText(f.GetOriginalDate()))
		if d := f.GetCustomerDecision(); d != nil && !d.GetDecideTime().AsTime().After(at) {
			c.add("decision", "%s|%s|%s", d.GetVerdict(), d.GetReference(), d.GetPerson())
		}
		c.weigh(f, resource.DateText(civil(u.now.In(zone))))
	}
	return err
}

// weigh says what a finding means for signing today. What was put off until a day that is past by then is to be put right: nobody releases on it.
func (c *content) weigh(f *workordersv1.Finding, today string) {
	decided := f.GetCustomerDecision()
	switch {
	case f.GetState() == workordersv1.Finding_RAISED:
		c.findings = append(c.findings, fmt.Sprintf("The finding %q, %s, has no answer", f.GetDescription(), f.GetName()))
	case f.GetState() == workordersv1.Finding_CLOSED:
	case f.GetDisposition() == workordersv1.Finding_RECTIFY || decided.GetVerdict() == workordersv1.CustomerDecision_AGREED:
		text := "The finding " + f.GetName() + " is to be put right and nobody closed it"
		if f.GetOwnOrder() != "" {
			text += "; it has an order of its own, " + f.GetOwnOrder()
		}
		c.unsolved, c.wrong = append(c.unsolved, text), append(c.wrong, f.GetDescription())
	case f.GetDisposition() == workordersv1.Finding_DEFER:
		c.carried, c.wrong = append(c.carried, deferred(f)), append(c.wrong, deferred(f))
		if last := resource.DateText(f.GetLimitDate()); last < today {
			c.unsolved = append(c.unsolved, fmt.Sprintf("The finding %s was put off until %s, which is past, and nobody closed it", f.GetName(), last))
		}
	case decided != nil:
		c.carried, c.wrong = append(c.carried, f.GetDescription()+", declined by the customer ("+decided.GetReference()+")"), append(c.wrong, f.GetDescription())
	default:
		c.carried, c.wrong = append(c.carried, f.GetDescription()+", for the customer to decide"), append(c.wrong, f.GetDescription())
	}
}

// deferred is a deferral as the release states it.
func deferred(f *workordersv1.Finding) string {
	text := fmt.Sprintf("%s, first found %s, until %s, on the basis of %s", f.GetDescription(), resource.DateText(f.GetOriginalDate()), resource.DateText(f.GetLimitDate()), f.GetBasis())
	if f.GetDeferralCategory() != "" {
		text += ", category " + f.GetDeferralCategory()
	}
	if f.GetPlacard() != "" {
		text += fmt.Sprintf(", placard %q", f.GetPlacard())
	}
	return text
}

// addSigners counts who signed that the work was done among those who did it, also when it was sent back since.
func (u unit) addSigners(ctx context.Context, o *workordersv1.WorkOrder, c *content) error {
	condition, args := store.Under(o.GetName() + "/signatures")
	sigs, err := store.Signatures.Where(ctx, u.Tx, condition, args...)
	for _, s := range sigs {
		if s.GetMeaning() == commonv1.Signature_PERFORMED {
			c.worked(s.GetPerson())
		}
	}
	return err
}

func stamp(t *timestamppb.Timestamp) string {
	if t == nil {
		return ""
	}
	return t.AsTime().Format(time.RFC3339Nano)
}
