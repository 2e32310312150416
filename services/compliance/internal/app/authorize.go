package app

import (
	"context"
	"fmt"
	"slices"

	"google.golang.org/protobuf/types/known/timestamppb"

	compliancev1 "coldsection.example/proto/coldsection/compliance/v1"
	"coldsection.example/services/compliance/internal/civil"
	"coldsection.example/services/compliance/internal/store"
	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/idempotency"
	"coldsection.example/services/platform/resource"
	"coldsection.example/services/platform/storage"
)

// CreateAuthorization authorizes a person for a scope between two days.
func (a *App) CreateAuthorization(ctx context.Context, req *compliancev1.CreateAuthorizationRequest) (*compliancev1.Authorization, error) {
	return idempotency.Execute(ctx, a.DB, a.Clock, req, func(ctx context.Context, tx *storage.Tx) (*compliancev1.Authorization, error) {
		u := a.unit(ctx, tx)
		if _, err := store.People.Get(ctx, tx, req.GetParent()); err != nil {
			return nil, err
		}
		auth := req.GetAuthorization()
		resource.ClearOutputOnly(auth)
		if err := u.checkGrant(auth); err != nil {
			return nil, err
		}
		auth.Name, auth.Version = a.newName(req.GetParent()+"/authorizations", req.GetAuthorizationId()), 1
		auth.State = authState(auth, civil.Of(u.now))
		if err := store.Authorizations.Insert(ctx, tx, auth, u.now); err != nil {
			return nil, err
		}
		return auth, u.authFact(ctx, req.GetParent(), auth)
	})
}

func (u unit) authFact(ctx context.Context, person string, auth *compliancev1.Authorization) error {
	return u.publish(ctx, "coldsection.access.authorization.changed.v1", person, &compliancev1.AuthorizationChanged{
		Person: person, Authorization: auth.GetName(), Scope: auth.GetScope(), State: auth.GetState().String(),
	})
}

func authState(a *compliancev1.Authorization, day civil.Date) compliancev1.Authorization_State {
	switch {
	case a.GetSuspendTime() != nil:
		return compliancev1.Authorization_SUSPENDED
	case day.Before(dateOf(a.GetStartDate())):
		return compliancev1.Authorization_NOT_YET
	case dateOf(a.GetEndDate()).Before(day):
		return compliancev1.Authorization_LAPSED
	default:
		return compliancev1.Authorization_IN_FORCE
	}
}

// ListAuthorizations lists authorizations with the state that they have today: what is kept is that of when they were last changed.
func (a *App) ListAuthorizations(ctx context.Context, req *compliancev1.ListAuthorizationsRequest, parent string) (*compliancev1.ListAuthorizationsResponse, error) {
	items, next, err := store.Authorizations.List(ctx, a.DB, a.Lister, req, parent)
	today := civil.Of(a.Clock.Now())
	for _, auth := range items {
		auth.State = authState(auth, today)
	}
	return &compliancev1.ListAuthorizationsResponse{Authorizations: items, NextPageToken: next}, err
}

// SuspendAuthorization ends an authorization from now on. Reason: AUTHORIZATION_SUSPENDED.
func (a *App) SuspendAuthorization(ctx context.Context, req *compliancev1.SuspendAuthorizationRequest) (*compliancev1.Authorization, error) {
	return idempotency.Execute(ctx, a.DB, a.Clock, req, func(ctx context.Context, tx *storage.Tx) (*compliancev1.Authorization, error) {
		u := a.unit(ctx, tx)
		auth, err := store.Authorizations.Lock(ctx, tx, req.GetName())
		if err != nil {
			return nil, err
		}
		if err := resource.CheckEtag(auth, req.GetEtag()); err != nil {
			return nil, err
		}
		if at := auth.GetSuspendTime(); at != nil {
			return nil, fault.Precondition("AUTHORIZATION_SUSPENDED", "%s is suspended since %s already: %s. Grant it anew when that is settled.", auth.GetName(),
				at.AsTime().UTC().Format("2006-01-02 15:04 UTC"), auth.GetSuspendReason())
		}
		auth.SuspendTime, auth.SuspendReason = timestamppb.New(u.now), req.GetReason()
		auth.Version++
		auth.State = authState(auth, civil.Of(u.now))
		if err := store.Authorizations.Save(ctx, tx, auth, u.now); err != nil {
			return nil, err
		}
		return auth, u.authFact(ctx, parentOf(auth.GetName()), auth)
	})
}

// currencyMonths is how far back relevant experience counts: 6 months of it in any 2 years (145.A.35, as the handbook cites it).
const currencyMonths = 24

// scopeGate opens for one authorization that is in force on the day; else it names the nearest reason. A suspension closes the scope to what was granted
// before it, too: a renewal that was entered ahead would let a suspended person sign on its first day, and nobody had decided that.
func scopeGate(person *compliancev1.Person, held []*compliancev1.Authorization, scope, model string, day civil.Date) *compliancev1.GateResult {
	result := closed(scope, "NOT_AUTHORIZED", "%s holds no authorization %q%s. Quality grants it.", person.GetDisplayName(), scope, forModel(model))
	held = slices.DeleteFunc(slices.Clone(held), func(a *compliancev1.Authorization) bool {
		return a.GetScope() != scope || len(a.GetEngineModels()) > 0 && !slices.Contains(a.GetEngineModels(), model)
	})
	suspended := lastSuspended(held)
	for _, a := range held {
		recent, months := current(a, day)
		switch state := authState(a, day); {
		case state == compliancev1.Authorization_SUSPENDED:
			result = closed(scope, "AUTHORIZATION_SUSPENDED", "The authorization %q of %s is suspended: %s.", scope, person.GetDisplayName(), a.GetSuspendReason())
		case state != compliancev1.Authorization_IN_FORCE:
			result = closed(scope, "AUTHORIZATION_LAPSED", "The authorization %q of %s is in force from %s to %s, not on %s. Quality renews it.", scope,
				person.GetDisplayName(), dateOf(a.GetStartDate()), dateOf(a.GetEndDate()), day)
		case suspended != nil && !suspended.GetSuspendTime().AsTime().Before(a.GetCreateTime().AsTime()):
			result = closed(scope, "AUTHORIZATION_SUSPENDED", "The authorization %q of %s was suspended: %s. What was granted before that does not open it again; quality grants it anew.",
				scope, person.GetDisplayName(), suspended.GetSuspendReason())
		case !recent:
			result = closed(scope, "NOT_CURRENT", "%s has %d months of relevant experience recorded in the %d months before %s, and 6 are needed. Record what is missing.",
				person.GetDisplayName(), months, currencyMonths, day)
		default:
			return &compliancev1.GateResult{Asked: scope, Open: true, Evidence: fmt.Sprintf("%s version %d", a.GetName(), a.GetVersion())}
		}
	}
	return result
}

// lastSuspended is the authorization that was suspended last, nil when none was.
func lastSuspended(held []*compliancev1.Authorization) (last *compliancev1.Authorization) {
	for _, a := range held {
		if at := a.GetSuspendTime(); at != nil && (last == nil || last.GetSuspendTime().AsTime().Before(at.AsTime())) {
			last = a
		}
	}
	return last
}
