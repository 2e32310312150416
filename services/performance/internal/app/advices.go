package app

import (
	"context"
	"fmt"
	"slices"

	"google.golang.org/protobuf/types/known/timestamppb"

	performancev1 "coldsection.example/proto/coldsection/performance/v1"
	"coldsection.example/services/performance/internal/analysis"
	"coldsection.example/services/performance/internal/store"
	"coldsection.example/services/platform/fault"
)

// saveAdvices keeps each advice once, and tells of one to which no wash answered yet.
func (u unit) saveAdvices(ctx context.Context, p store.Profile, result analysis.Result) error {
	for _, a := range result.Advices {
		advice := &performancev1.WashAdvice{
			Name: adviceName(p, &a), Engine: p.Name, EngineSerial: p.Serial, Kind: "recovery_wash", Cause: a.Cause,
			Reasons: a.Reasons, AdviseTime: timestamppb.New(a.At), IttDeviationC: a.Level, State: performancev1.WashAdvice_OPEN,
		}
		if a.Cycle < result.Cycle {
			advice.State = performancev1.WashAdvice_WASHED
		}
		if err := u.saveAdvice(ctx, p, advice); err != nil {
			return err
		}
	}
	return nil
}

// adviceName is the same for the same cycle between two washes.
func adviceName(p store.Profile, a *analysis.Advice) string {
	return fmt.Sprintf("%s/washAdvices/c%d", p.Name, a.Cycle)
}

// takeBack withdraws an open advice that all readings and events together, as they stand now, no longer give.
func (u unit) takeBack(ctx context.Context, p store.Profile, result analysis.Result) error {
	condition, args := store.Under(p.Name + "/washAdvices")
	open, err := store.Advices.Where(ctx, u.Tx, condition+" AND state = 'OPEN'", args...)
	if err != nil {
		return err
	}
	for _, advice := range open {
		if slices.ContainsFunc(result.Advices, func(a analysis.Advice) bool { return adviceName(p, &a) == advice.GetName() }) {
			continue
		}
		advice.State = performancev1.WashAdvice_WITHDRAWN
		if err := store.Advices.Save(ctx, u.Tx, advice, u.now); err != nil {
			return err
		}
		if err := u.publish(ctx, "coldsection.performance.advice.withdrawn.v1", p.Name, &performancev1.WashAdviceWithdrawn{
			Engine: p.Name, EngineSerial: p.Serial, EngineModel: p.Model, WashAdvice: advice.GetName(), Kind: advice.GetKind(), Cause: advice.GetCause(),
			AdviseTime: advice.GetAdviseTime(), WithdrawTime: timestamppb.New(u.now),
		}); err != nil {
			return err
		}
	}
	return nil
}

// saveAdvice keeps an advice. One that stands again, after it was taken back or its wash was, stands for the reasons of now and is told again. One that
// stands open still takes the reasons of now too, such as after readings that came late or were taken out, and is not told twice; one that was washed
// for says what it said then.
func (u unit) saveAdvice(ctx context.Context, p store.Profile, advice *performancev1.WashAdvice) error {
	old, err := store.Advices.Lock(ctx, u.Tx, advice.GetName())
	switch {
	case fault.HasReason(err, "NOT_FOUND"):
		err = store.Advices.Insert(ctx, u.Tx, advice, u.now)
	case err != nil || old.GetState() == advice.GetState() && (advice.GetState() != performancev1.WashAdvice_OPEN || sameAdvice(old, advice)):
		return err
	default:
		advice.CreateTime = old.GetCreateTime()
		err = store.Advices.Save(ctx, u.Tx, advice, u.now)
	}
	if err != nil || advice.GetState() != performancev1.WashAdvice_OPEN || old.GetState() == performancev1.WashAdvice_OPEN {
		return err
	}
	return u.publish(ctx, "coldsection.performance.wash.recommended.v1", p.Name, &performancev1.WashRecommended{
		Engine: p.Name, EngineSerial: p.Serial, EngineModel: p.Model, WashAdvice: advice.GetName(), Kind: advice.GetKind(), Cause: advice.GetCause(),
		Reasons: advice.GetReasons(), AdviseTime: advice.GetAdviseTime(),
	})
}

// sameAdvice says whether two advices rest on the same.
func sameAdvice(a, b *performancev1.WashAdvice) bool {
	return a.GetCause() == b.GetCause() && slices.Equal(a.GetReasons(), b.GetReasons()) && a.GetAdviseTime().AsTime().Equal(b.GetAdviseTime().AsTime()) &&
		a.GetIttDeviationC() == b.GetIttDeviationC()
}
