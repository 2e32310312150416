package gateway

import (
	"context"
	"slices"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	"coldsection.example/gateway/internal/accounts"
	"coldsection.example/gateway/internal/beside"
	"coldsection.example/services/platform/auth"
	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/rpc"
)

// recheckEvery is how long a stream may go on after its session, key or role ended.
const recheckEvery = 5 * time.Second

// known is a stream whose caller is known.
type known struct {
	grpc.ServerStream

	ctx context.Context
}

// Context carries the caller.
func (k known) Context() context.Context { return k.ctx }

// stream lets a caller in, writes in the audit that a stream was opened and how it ended, and ends it when the caller may not
// have it any more.
func (d *doorman) stream(srv any, stream grpc.ServerStream, info *grpc.StreamServerInfo, next grpc.StreamHandler) error {
	who, err := d.admit(stream.Context(), info.FullMethod)
	if err == nil {
		err = d.authorise(who, info.FullMethod)
	}
	leave := func() {}
	if err == nil {
		leave, err = d.openFor(who)
	}
	if err != nil {
		d.refused(who, info.FullMethod, "", rpc.ToStatus(err))
		return rpc.ToStatus(err)
	}
	defer leave()
	if err := d.audit.Write(who, call(who, info.FullMethod, ""), "OPENED"); err != nil {
		return rpc.ToStatus(err)
	}
	ctx, end := context.WithCancelCause(who)
	defer end(nil)
	due := d.clock.After(recheckEvery) // from here on, not from when the goroutine comes to it
	go func() {
		if err := beside.Do(ctx, d.audit.Log, "looking who has a stream", func() error { return d.recheck(ctx, due, info.FullMethod) }); err != nil {
			end(err)
		}
	}()
	system, err := unitsAsked(ctx)
	if err == nil {
		err = next(srv, measured{ServerStream: known{ServerStream: stream, ctx: ctx}, system: system})
	}
	if lost := context.Cause(ctx); lost != nil && stream.Context().Err() == nil {
		err = rpc.ToStatus(lost)
	}
	outcome := outcomeOf(err)
	if status.Code(err) == codes.Canceled || stream.Context().Err() != nil {
		outcome = "CLOSED" // the caller left
	}
	d.write(who, info.FullMethod, "", outcome)
	return err
}

// openFor opens a stream of the caller; whoever is nobody known is counted by address. Reason: TOO_MANY_STREAMS.
func (d *doorman) openFor(ctx context.Context) (leave func(), err error) {
	if id, known := auth.FromContext(ctx); known && id.Account != "" {
		return d.streams.Enter(id.Account)
	}
	return d.streams.Enter(d.address(ctx))
}

// recheck looks again and again whether the caller may still have the stream, and says why not; nil when the stream ends by itself.
func (d *doorman) recheck(ctx context.Context, next <-chan time.Time, method string) error {
	for {
		select {
		case <-ctx.Done():
			return nil
		case <-next:
			next = d.clock.After(recheckEvery)
		}
		who, err := d.identify(accounts.Unattended(context.WithoutCancel(ctx))) // a stream that goes on is no use of its session
		if err == nil {
			err = d.authorise(who, method)
		}
		if err == nil {
			err = lessThan(ctx, who)
		}
		if err != nil && ctx.Err() == nil {
			return err
		}
	}
}

// lessThan refuses a stream whose caller had more when it was opened than now: what it shows was decided then. Reason: RIGHTS_CHANGED.
func lessThan(opened, now context.Context) error {
	before, _ := auth.FromContext(opened)
	after, _ := auth.FromContext(now)
	gone := slices.ContainsFunc(before.Roles, func(role string) bool { return !after.Has(role) })
	if !gone && slices.Equal(before.Scopes, after.Scopes) && slices.Equal(before.Owners, after.Owners) {
		return nil
	}
	return fault.New(fault.Unavailable, "RIGHTS_CHANGED", "What %s may do changed while the stream was open. Open it again after the last cursor that came.",
		after.Account)
}
