package story

import (
	"context"
	"fmt"
	"strings"
	"time"

	"google.golang.org/protobuf/types/known/durationpb"
	"google.golang.org/protobuf/types/known/timestamppb"

	accessv1 "coldsection.example/proto/coldsection/access/v1"
	compliancev1 "coldsection.example/proto/coldsection/compliance/v1"
	consumablesv1 "coldsection.example/proto/coldsection/consumables/v1"
	performancev1 "coldsection.example/proto/coldsection/performance/v1"
)

// compliance shows that the release moved the wash programme, and that stores closed the order.
func (s *Story) compliance(ctx context.Context) error {
	due := compliancev1.NewComplianceQueryServiceClient(s.cast["planner"])
	err := s.until(ctx, "the requirement to move", func() (bool, error) {
		item, err := due.GetDueItem(ctx, &compliancev1.GetDueItemRequest{Name: s.world.wash})
		if err != nil {
			return false, err
		}
		moved := isoDate(item.GetLastDoneDate()) == isoDate(s.world.workOrder.GetReleaseDate())
		if moved {
			s.out.DueAfter = isoDate(item.GetDueDate())
			s.tell.Line("%s was last done on %s; next due %s instead of %s. %s", item.GetRequirementCode(), isoDate(item.GetLastDoneDate()),
				s.out.DueAfter, s.out.DueBefore, item.GetExplanation())
		}
		return moved, nil
	})
	if err != nil {
		return err
	}
	return s.stockCloses(ctx)
}

func (s *Story) stockCloses(ctx context.Context) error {
	stock := consumablesv1.NewConsumablesQueryServiceClient(s.cast["stores"])
	err := s.until(ctx, "stores to close the order", func() (bool, error) {
		demands, err := stock.ListStockDemands(ctx, &consumablesv1.ListStockDemandsRequest{Filter: fmt.Sprintf("work_order = %q", s.out.WorkOrder)})
		if err != nil {
			return false, err
		}
		for _, d := range demands.GetStockDemands() {
			if d.GetState() != consumablesv1.StockDemand_CLOSED {
				return false, nil
			}
		}
		return true, nil
	})
	if err != nil {
		return err
	}
	trace, err := stock.TraceLot(ctx, &consumablesv1.TraceLotRequest{Name: s.out.CleanerLot, Direction: consumablesv1.TraceLotRequest_FORWARD})
	if err != nil {
		return err
	}
	for _, u := range trace.GetUses() {
		s.tell.Line("Cleaner lot %s reached %s on %s: %s of lot %s.", s.out.CleanerLot, u.GetEngine(), u.GetWorkOrder(), amount(u.GetQuantity()), u.GetLot())
	}
	for _, l := range trace.GetBalanceLines() {
		s.tell.Line("  %s: received %s = used %s + mixed %s + with jobs %s + on hand %s + disposed %s + difference %s.", l.GetLot(), amount(l.GetReceived()),
			amount(l.GetUsed()), amount(l.GetMixed()), amount(l.GetIssuedUnused()), amount(l.GetOnHand()), amount(l.GetDisposed()), amount(l.GetDifference()))
	}
	return nil
}

// earlierWash tells the analysis of the wash that stands in the paper records.
func (s *Story) earlierWash(ctx context.Context) error {
	event, err := performancev1.NewPerformanceServiceClient(s.cast["analyst"]).CreateEngineEvent(ctx, &performancev1.CreateEngineEventRequest{
		Parent: engine, EngineEventId: "earlier-wash", RequestId: s.key("earlier wash"),
		EngineEvent: &performancev1.EngineEvent{
			Kind: performancev1.EngineEvent_RECOVERY_WASH, EventTime: timestamppb.New(oldWash()), OperatingHours: hoursAtStart - 560,
			Note: "From the engine log book",
		},
	})
	if err != nil {
		return err
	}
	s.tell.Line("The log book shows a recovery wash on %s, before the suite was in use.", event.GetEventTime().AsTime().Format("2006-01-02"))
	return nil
}

// readings imports the history and sees the wash being recommended.
func (s *Story) readings(ctx context.Context) error {
	if err := s.earlierWash(ctx); err != nil {
		return err
	}
	if err := s.importCSV(ctx, "history", s.world.sim.history()); err != nil {
		return err
	}
	perf := performancev1.NewPerformanceQueryServiceClient(s.cast["analyst"])
	err := s.until(ctx, "a wash advice", func() (bool, error) {
		advices, err := perf.ListWashAdvices(ctx, &performancev1.ListWashAdvicesRequest{Parent: engine, Filter: "state = OPEN"})
		if err != nil || len(advices.GetWashAdvices()) == 0 {
			return false, err
		}
		for _, a := range advices.GetWashAdvices() {
			s.tell.Line("Advice on %s: %s because of %s: %s.", instant(a.GetAdviseTime()), a.GetKind(), a.GetCause(), strings.Join(a.GetReasons(), "; "))
		}
		return true, nil
	})
	if err != nil {
		return err
	}
	now, err := perf.GetAssessment(ctx, &performancev1.GetAssessmentRequest{Name: engine + "/assessment"})
	if err != nil {
		return err
	}
	s.tell.Line("%s: %s", now.GetEngineSerial(), now.GetSummary())
	return nil
}

func (s *Story) importCSV(ctx context.Context, label, csv string) error {
	got, err := performancev1.NewPerformanceServiceClient(s.cast["analyst"]).ImportReadings(ctx, &performancev1.ImportReadingsRequest{
		Csv: csv, Source: "flight log", RequestId: s.key("import " + label),
	})
	if err != nil {
		return err
	}
	s.tell.Line("Imported %d rows: %d new readings, %d known, %d held.", got.GetRowsTotal(), got.GetRowsTaken(), got.GetRowsKnown(), got.GetRowsHeld())
	for i, p := range got.GetProblems() {
		if i == 5 {
			s.tell.Line("  and %d more rows with a remark.", len(got.GetProblems())-i)
			break
		}
		s.tell.Line("  line %d, %s: %s", p.GetLine(), p.GetReason(), p.GetText())
	}
	return nil
}

// recovery flies on for six weeks and measures what the wash brought.
func (s *Story) recovery(ctx context.Context) error {
	perf := performancev1.NewPerformanceQueryServiceClient(s.cast["analyst"])
	washed := &performancev1.ListRecoveriesRequest{Parent: engine, Filter: fmt.Sprintf("work_order = %q", s.out.WorkOrder)}
	err := s.until(ctx, "the wash on the engine's time line", func() (bool, error) { // readings that came before it would be judged together with it
		found, err := perf.ListRecoveries(ctx, washed)
		return len(found.GetRecoveries()) > 0, err
	})
	if err != nil {
		return err
	}
	if err := s.at(weeksAfter); err != nil {
		return err
	}
	if err := s.importCSV(ctx, "after the wash", s.world.sim.after()); err != nil {
		return err
	}
	return s.until(ctx, "the recovery", func() (bool, error) {
		found, err := perf.ListRecoveries(ctx, washed)
		if err != nil || len(found.GetRecoveries()) == 0 {
			return false, err
		}
		r := found.GetRecoveries()[0]
		if r.GetLaterReadingCount() == 0 {
			return false, nil
		}
		s.out.Recovery = r.GetVerdict().String()
		step := r.GetIttStepC()
		s.tell.Line("The gas temperature moved by %.1f °C, %.0f %% interval %.1f to %.1f, from %d readings before and %d after: %s.", step.GetEstimate(),
			step.GetCoveragePct(), step.GetLower(), step.GetUpper(), r.GetPriorReadingCount(), r.GetLaterReadingCount(), r.GetVerdict())
		s.tell.Line("%s", r.GetExplanation())
		return true, nil
	})
}

// imports is how many tables of readings the story brings in; each leaves one fact, the last of its transaction.
const imports = 2

// erp reads the whole feed from the beginning, until nothing that the story did is missing.
func (s *Story) erp(ctx context.Context) error {
	ctx, cancel := context.WithTimeout(ctx, 30*time.Second+s.opts.Patience)
	defer cancel()
	seen, cursor := feedCount{byType: map[string]int{}}, ""
	for grown := true; grown || seen.byType["coldsection.engine.reading.recorded.v1"] < imports; {
		page, err := accessv1.NewEventsServiceClient(s.cast["erp"]).ListEvents(ctx, &accessv1.ListEventsRequest{
			After: cursor, PageSize: 500, Wait: durationpb.New(100 * time.Millisecond),
		})
		if err != nil {
			return fmt.Errorf("reading the feed after %d facts: %w", seen.total, err)
		}
		grown = len(page.GetEvents()) > 0
		cursor = page.GetNextCursor()
		seen.add(page.GetEvents())
	}
	s.out.FeedEvents = seen.total
	s.out.Facts = seen.byType
	s.tell.Line("The feed holds %d facts, in the order in which they happened:", seen.total)
	for _, t := range seen.order {
		s.tell.Line("  %4d × %s", seen.byType[t], t)
	}
	return nil
}

// feedCount counts facts by their type, in the order in which the types were first seen.
type feedCount struct {
	total  int
	byType map[string]int
	order  []string
}

func (c *feedCount) add(events []*accessv1.Event) {
	for _, e := range events {
		c.total++
		if c.byType[e.GetType()]++; c.byType[e.GetType()] == 1 {
			c.order = append(c.order, e.GetType())
		}
	}
}
