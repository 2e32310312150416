package server_test

import (
	"slices"
	"testing"

	"google.golang.org/protobuf/proto"

	performancev1 "coldsection.example/proto/coldsection/performance/v1"
)

// A wash that was entered for the wrong engine is taken back: the engine stands as if it had never been entered, and the entry stays in sight
// with who took it back and why. What an order told stays.
func TestAWashThatNeverWasIsTakenBack(t *testing.T) {
	benches(t, func(t *testing.T, b bench) {
		b.withModel(priced)
		b.fly(worn{days: 120, noise: 1, dirt: rising})
		ask := &performancev1.AdviseIntervalRequest{Name: engineName}
		before, stood := of(b.AdviseInterval(b.analyst(), ask)).done(t), b.assessment()
		advised := b.openAdvices()
		b.washed(60, 120)
		if len(b.recoveries()) != 1 || proto.Equal(of(b.AdviseInterval(b.analyst(), ask)).done(t), before) {
			t.Fatal("the wash changes nothing, so that taking it back proves nothing")
		}
		entered := b.events()[0]
		req := &performancev1.WithdrawEngineEventRequest{Name: entered.GetName(), Reason: "It was the other engine.", Etag: "x"}
		of(b.WithdrawEngineEvent(b.as("technician"), req)).refused(t, "ROLE_MISSING")
		of(b.WithdrawEngineEvent(b.analyst(), req)).refused(t, "ETAG_MISMATCH")
		req.Etag = entered.GetEtag()
		gone := of(b.WithdrawEngineEvent(b.analyst(), req)).done(t)
		if gone.GetWithdrawPerson() != "people/analyst" || gone.GetWithdrawReason() != req.GetReason() || gone.GetWithdrawTime() == nil {
			t.Errorf("%v", gone)
		}
		after, stands := of(b.AdviseInterval(b.analyst(), ask)).done(t), b.assessment()
		if !proto.Equal(after, before) || !proto.Equal(stands.GetIttDeviationC(), stood.GetIttDeviationC()) || stands.GetSummary() != stood.GetSummary() || stands.GetLatestWashTime() != nil {
			t.Errorf("%s\nbefore the entry %s", stands.GetSummary(), stood.GetSummary())
		}
		if now := b.openAdvices(); !slices.Equal(now, advised) {
			t.Errorf("%q is advised, before the entry %q", now, advised)
		}
		trend := of(b.GetTrend(b.as("viewer"), &performancev1.GetTrendRequest{Name: trendName})).done(t)
		if len(b.recoveries()) != 0 || len(trend.GetEvents()) != 0 || len(b.events()) != 1 || b.events()[0].GetWithdrawReason() == "" {
			t.Errorf("%v, %v, %v", b.recoveries(), trend.GetEvents(), b.events())
		}
		req.Etag = ""
		of(b.WithdrawEngineEvent(b.analyst(), req)).refused(t, "EVENT_WITHDRAWN")
		told := of(b.CreateEngineEvent(b.analyst(), &performancev1.CreateEngineEventRequest{Parent: engineName, EngineEventId: "order-1", EngineEvent: &performancev1.EngineEvent{
			Kind: performancev1.EngineEvent_SALT_RINSE, EventTime: stampAt(5), WorkOrder: "workOrders/order-1",
		}})).done(t) // as the release of an order names it
		of(b.WithdrawEngineEvent(b.analyst(), &performancev1.WithdrawEngineEventRequest{Name: told.GetName(), Reason: "x"})).refused(t, "EVENT_OF_ORDER")
	})
}

func (b bench) openAdvices() (names []string) {
	b.t.Helper()
	all := of(b.ListWashAdvices(b.analyst(), &performancev1.ListWashAdvicesRequest{Parent: engineName, Filter: `state = "OPEN"`})).done(b.t)
	for _, a := range all.GetWashAdvices() {
		names = append(names, a.GetName())
	}
	return names
}

func (b bench) events() []*performancev1.EngineEvent {
	b.t.Helper()
	return of(b.ListEngineEvents(b.as("viewer"), &performancev1.ListEngineEventsRequest{Parent: engineName})).done(b.t).GetEngineEvents()
}

func (b bench) recoveries() []*performancev1.Recovery {
	b.t.Helper()
	return of(b.ListRecoveries(b.as("viewer"), &performancev1.ListRecoveriesRequest{Parent: engineName})).done(b.t).GetRecoveries()
}
