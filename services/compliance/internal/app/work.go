package app

import (
	"cmp"
	"context"
	"fmt"
	"slices"
	"strings"

	"google.golang.org/genproto/googleapis/type/date"

	compliancev1 "coldsection.example/proto/coldsection/compliance/v1"
	"coldsection.example/services/compliance/internal/apply"
	"coldsection.example/services/compliance/internal/civil"
	"coldsection.example/services/compliance/internal/due"
	"coldsection.example/services/compliance/internal/points"
	"coldsection.example/services/compliance/internal/store"
	"coldsection.example/services/platform/storage"
)

// itemOf is a due item before anything is counted.
func itemOf(r *compliancev1.Requirement, s seen) *compliancev1.DueItem {
	return &compliancev1.DueItem{
		Name: dueName(r.GetName(), s.subject.GetName()), Requirement: r.GetName(), RequirementCode: r.GetCode(), RequirementTitle: r.GetDisplayName(),
		Kind: r.GetKind(), Subject: s.subject.GetName(), SubjectLabel: label(s.subject), AsOfDate: s.asOf(),
		FlyingPlanVersion: s.planned,
	}
}

// asOf is today, as items say it.
func (s seen) asOf() *date.Date {
	if s.date != nil {
		return s.date
	}
	return protoDate(s.today)
}

func decided(item *compliancev1.DueItem, band compliancev1.DueItem_Band, reason string) {
	item.Band, item.BandReason, item.Explanation = band, reason, reason+"."
}

// work computes a due item.
func (u unit) work(ctx context.Context, s seen, r *compliancev1.Requirement) (*compliancev1.DueItem, error) {
	w, err := u.weigh(ctx, s, r)
	if err != nil {
		return nil, err
	}
	return w.tell(s), nil
}

// weighed is how a due item comes about. The item itself is told only where somebody reads or writes it: most come out as they are kept.
type weighed struct {
	rule      *compliancev1.Requirement
	verdict   verdict
	standing  due.Standing
	last      *store.Record
	band      compliancev1.DueItem_Band // set with reason
	reason    string                    // why nothing is counted; empty when something is
	extension *compliancev1.Extension
	point     points.Point // what the item is counted from
	kept      bool         // it came out as it is kept
	until     civil.Date   // the first day on which it may come about in another way; zero when none is known
}

func (w *weighed) decided(band compliancev1.DueItem_Band, reason string) {
	w.band, w.reason = band, reason
}

// weigh computes a due item. What does not apply, or was ended, is EXEMPT with the reason; what can't be told is NO_DATA.
func (u unit) weigh(ctx context.Context, s seen, r *compliancev1.Requirement) (w weighed, err error) {
	w.rule, w.point.Requirement = r, r.GetName()
	signed := s.records.done[r.GetName()]
	if n := len(signed); n > 0 {
		w.last = signed[n-1]
	}
	w.verdict = applies(r, s)
	switch w.verdict.answer {
	case apply.No:
		w.decided(compliancev1.DueItem_EXEMPT, "Does not apply: "+w.verdict.why)
		return w, nil
	case apply.Unknown:
		w.decided(compliancev1.DueItem_NO_DATA, "Whether it applies can't be told: "+w.verdict.why)
		return w, nil
	case apply.Yes:
	}
	w.until = replacedLater(r, s)
	again, err := u.startedAgain(ctx, s, &w)
	if err != nil {
		return w, err
	}
	if again {
		signed = nil
	}
	if w.stand(s, again); w.reason != "" {
		return w, nil
	}
	done, err := u.corrected(ctx, s, signed)
	if err != nil {
		return w, err
	}
	err = u.count(ctx, &w, s, done)
	return w, err
}

// replacedLater is the day to come on which another requirement takes the place of one; zero when there is none.
func replacedLater(r *compliancev1.Requirement, s seen) (day civil.Date) {
	if r.GetSuccessor() != "" {
		day = dateOf(s.requirement(r.GetSuccessor()).GetEffectiveDate())
	}
	if !s.today.Before(day) {
		return civil.Date{}
	}
	return day
}

// count works out what is left, from what the interval counts from.
func (u unit) count(ctx context.Context, w *weighed, s seen, done []*store.Record) error {
	r := w.rule
	from, err := u.start(ctx, r, s, done)
	if err != nil {
		return err
	}
	w.until = sooner(w.until, from.until)
	if from.missing == "" {
		from.missing = s.uncounted(from.tree)
	}
	if from.missing != "" {
		w.decided(compliancev1.DueItem_NO_DATA, from.missing)
		return nil
	}
	n := len(done)
	w.point = points.Point{
		Requirement: r.GetName(), Counted: true, Tree: from.tree, Base: from.base, Threshold: thresholdOf(r.GetNear()), Extension: w.inForce(s, from.tree, from.began(w)),
		Soft: r.GetSoft(), Lowered: n > 0 && done[n-1].Counters != w.last.Counters, Fitted: from.fitted, Past: from.past,
	}
	w.keep(s)
	return nil
}

// keep tells whether an item comes out as it is kept: counted from the same, and with a row in the same band. Its date may have to follow.
func (w *weighed) keep(s seen) {
	was := s.was
	if was == nil || !was.Same(w.point) {
		return
	}
	w.point.Told = was.Told
	now := was.OnSlate(s.slate, stateOf(s))
	if was.Stale(now, s.today) {
		w.point.Told.Date = now.Date
	}
	w.kept = now.Band == was.Told.Band
}

// tell is the item.
func (w *weighed) tell(s seen) *compliancev1.DueItem {
	item := itemOf(w.rule, s)
	if a := w.last; a != nil {
		item.LastDoneDate, item.LastDoneCounters, item.LastAccomplishment = protoDate(a.DoneDate), countersOn(a), a.Name
	}
	if w.reason != "" {
		decided(item, w.band, w.reason)
		return item
	}
	item.Extension = w.extension
	fill(item, w.point.On(stateOf(s)))
	item.Explanation += whence(item, &w.point)
	return item
}

// countersOn are the counters that a record carries, nil when it has none.
func countersOn(a *store.Record) *compliancev1.Counters {
	if !a.Counted {
		return nil
	}
	return &compliancev1.Counters{OperatingSeconds: a.Counters.Seconds, Cycles: a.Counters.Cycles, Starts: a.Counters.Starts, Landings: a.Landings}
}

// whence is why an item counts from something else than the record of when it was last done, and why less counts of its extension than was granted;
// empty when neither is so.
func whence(item *compliancev1.DueItem, p *points.Point) string {
	text := countsFrom(item, p)
	if why := item.GetExtension().GetCutReason(); why != "" {
		text = " " + why + "." + text
	}
	if !p.Past.IsZero() {
		text += " It was past when it came off on " + p.Past.String() + ", so fitting it again started nothing; do it."
	}
	return text
}

func countsFrom(item *compliancev1.DueItem, p *points.Point) string {
	last := due.Base{Date: dateOf(item.GetLastDoneDate()), Counters: countersOf(item.GetLastDoneCounters())}
	switch {
	case p.Lowered:
		return " Corrected flying or entries lowered the counters that the record of the work carries."
	case !p.Tree.CountsDays() && !p.Tree.CountsUse() || p.Base == last:
		return ""
	case !p.Fitted.IsZero() && classOf(item) != due.Programme:
		return fmt.Sprintf(" It was last done on %s at %s h and %d cycles; it was fitted on %s. What was left then goes on beside what the fitting starts, and the sooner counts.",
			last.Date, span(last.Counters.Seconds), last.Counters.Cycles, p.Fitted)
	case !p.Fitted.IsZero():
		return fmt.Sprintf(" It was last done on %s at %s h and %d cycles; it was fitted on %s, and counts from then, "+
			"what was due before that from when it was due where the requirement says so.", last.Date, span(last.Counters.Seconds), last.Counters.Cycles, p.Fitted)
	case item.GetLastAccomplishment() == "":
		return " No record says that it was done, so it counts from the requirement's start event."
	default:
		return fmt.Sprintf(" It was last done on %s at %d:%02d h and %d cycles, and counts from when it was due or from the event that starts it, as the requirement says.",
			last.Date, last.Counters.Seconds/3600, last.Counters.Seconds/60%60, last.Counters.Cycles)
	}
}

// stateOf is a subject as limits are held against it; extensions are the items' own.
func stateOf(s seen) due.Now {
	return due.Now{Today: s.today, Counters: countersOf(s.counters), Read: s.read, Rate: s.rate, Plan: s.plan}
}

// sooner is the earlier of two days, of which either may be none.
func sooner(a, b civil.Date) civil.Date {
	if a.IsZero() || !b.IsZero() && b.Before(a) {
		return b
	}
	return a
}

// doneOn are the records of when requirements were done on a subject, oldest first: those of work done by then that were recorded,
// and not taken back or corrected, as far as is known.
func (u unit) doneOn(ctx context.Context, subject string, s seen) (map[string][]*store.Record, error) {
	kept, err := store.LinesOfMany(ctx, u.Tx, []string{subject}, nil)
	if err != nil {
		return nil, err
	}
	all, err := kept[subject].Read()
	known := storage.Micros(s.known)
	all = slices.DeleteFunc(all, func(r store.Record) bool { return r.Recorded > known })
	return doneOf(all, s), err
}

// doneOf sorts the records on a subject by requirement, oldest first. A store would have to sort them all to say their order.
func doneOf(all []store.Record, s seen) map[string][]*store.Record {
	var corrected map[string]bool
	for i := range all {
		if all[i].Supersedes != "" {
			if corrected == nil {
				corrected = map[string]bool{}
			}
			corrected[all[i].Supersedes] = true
		}
	}
	out, each := make(map[string][]*store.Record, len(all)), make([]*store.Record, len(all))
	for i := range all {
		a := &all[i]
		each[i] = a
		if !corrected[a.Name] && !a.Void && (!s.past || !s.today.Before(a.DoneDate)) {
			of := parentOf(a.Name)
			if out[of] == nil {
				out[of] = each[i : i+1 : i+1] // most have one
				continue
			}
			out[of] = append(out[of], a)
		}
	}
	for _, done := range out {
		if len(done) > 1 {
			slices.SortFunc(done, older)
		}
	}
	return out
}

// older puts records in the order of their work, then in the order in which they were recorded.
func older(a, b *store.Record) int {
	return cmp.Or(a.DoneDate.Compare(b.DoneDate), cmp.Compare(a.Recorded, b.Recorded), strings.Compare(a.Name, b.Name))
}

// stand tells where a requirement is in its life. When nothing is due any more, the item is exempt and says why: another requirement
// took its place, a terminating action was done, or it was done once and for all.
// A start event that came after it was done, as startedAgain tells, asks for it again.
func (w *weighed) stand(s seen, again bool) {
	r := w.rule
	life := due.Life{Effective: dateOf(r.GetEffectiveDate()), Done: w.last != nil && !again, Repeats: !s.tree(r.GetRepeat()).Empty()}
	if r.GetSuccessor() != "" {
		next := s.successorOf(r)
		life.Replaced, life.ReplacedOn = next != nil, dateOf(next.GetEffectiveDate())
	}
	ended := endedBy(r.GetName(), s)
	life.Terminated = ended != nil
	w.standing = life.On(s.today)
	switch w.standing {
	case due.Superseded:
		w.decided(compliancev1.DueItem_EXEMPT, "Superseded by "+r.GetSuccessor()+since(life.ReplacedOn))
	case due.Terminated:
		w.decided(compliancev1.DueItem_EXEMPT, "Ended by the terminating action "+ended.Name+" of "+ended.DoneDate.String())
	case due.Complied:
		w.decided(compliancev1.DueItem_EXEMPT, "Done once and for all on "+w.last.DoneDate.String()+", "+w.last.Name)
	case due.Open, due.Recurring, due.NotYet:
	}
}

// successorOf is the requirement that takes the place of another one; nil when it is not known, or its successors come back to that one: a circle ends
// nothing.
func (s seen) successorOf(r *compliancev1.Requirement) *compliancev1.Requirement {
	next := s.requirement(r.GetSuccessor())
	for at, steps := next, 0; at != nil && steps < len(s.rules); at, steps = s.requirement(at.GetSuccessor()), steps+1 {
		if at.GetName() == r.GetName() {
			return nil
		}
	}
	return next
}

// since names a first day; empty for none.
func since(day civil.Date) string {
	if day.IsZero() {
		return ""
	}
	return " from " + day.String()
}

// endedBy is the record of the first terminating action that ended a requirement on a subject, nil when there is none.
func endedBy(requirement string, s seen) (first *store.Record) {
	for _, ender := range s.enders(requirement) {
		if ender.GetTerminates() != requirement {
			continue
		}
		done := s.records.done[ender.GetName()]
		if len(done) > 0 && (first == nil || done[0].DoneDate.Before(first.DoneDate)) {
			first = done[0]
		}
	}
	return first
}

func fill(item *compliancev1.DueItem, result due.Result) {
	if why := result.Untold(); why != "" {
		decided(item, compliancev1.DueItem_NO_DATA, why)
		return
	}
	item.Band = compliancev1.DueItem_Band(compliancev1.DueItem_Band_value[string(result.Band)])
	item.DueDate, item.Explanation = protoDate(result.Date), result.Explain()
	item.DrivingUnit = result.Left[result.Driving].Limit.Unit.Driver()
	for i, l := range result.Left {
		item.Remaining = append(item.Remaining, &compliancev1.Remaining{
			Unit: compliancev1.IntervalLimit_Unit(l.Limit.Unit), DueCounter: l.At, LimitDate: protoDate(l.Date), Left: l.Left,
			ProjectedDate: protoDate(l.Projected), Driving: i == result.Driving,
		})
	}
}
