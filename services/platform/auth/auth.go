// Package auth says who calls, what a role may do, and how one process proves that to another.
//
// The gateway authenticates people and machines and mints short-lived assertions of their identity; services believe
// nothing else. A fresh re-authentication is a second kind of assertion, for one signature. Both are JWTs with one fixed
// algorithm over a secret that all processes of the suite share.
package auth

import (
	"context"
	"slices"
	"strings"
	"time"

	"coldsection.example/services/platform/fault"
)

// Kinds of caller.
const (
	Human   = "human"
	Machine = "machine"
	Service = "service"
	// Emergency is a session of the break-glass account, which signs nothing.
	Emergency = "emergency"
)

// Anyone and SignedIn stand in a policy for everybody and for every signed-in caller; RoleService for the suite's own services.
const (
	Anyone      = "anyone"
	SignedIn    = "*"
	RoleService = "service"
)

// SecondFactorDue is the only role of somebody who must enrol a second factor before anything else; nothing in the policies
// of services names it, and the gateway lets it manage its own session only.
const SecondFactorDue = "second-factor-due"

// ownSession begins the methods with which callers manage their own session.
const ownSession = "/coldsection.access.v1.SessionService/"

// OwnerScoped stands in a policy beside the roles of a method that shows a caller who is limited to owners only what belongs
// to these. Every other method is closed to such a caller.
const OwnerScoped = "owner-scoped"

// Identity is an authenticated caller.
type Identity struct {
	Account     string    // accounts/{account}, or the service's name
	Person      string    // people/{person}; empty for machines
	DisplayName string    // the name that others see
	Roles       []string  // what the caller may do
	Kind        string    // human, machine, service or emergency
	AuthTime    time.Time // when the caller last proved who it is
	SessionID   string    // the session or key
	Scopes      []string  // what a machine's key is narrowed to, for the gateway; roles are narrowed already
	Units       string    // the unit system that answers carry amounts in a second time, for the gateway; empty is none
	Owners      []string  // the owners (customers) to whose aircraft and engines the caller is limited; empty is no limit
}

// Has reports whether the caller has the role.
func (id Identity) Has(role string) bool { return slices.Contains(id.Roles, role) }

type contextKey struct{}

// NewContext returns a context that carries the caller.
func NewContext(ctx context.Context, id Identity) context.Context {
	return context.WithValue(ctx, contextKey{}, id)
}

// FromContext returns the caller.
func FromContext(ctx context.Context) (Identity, bool) {
	id, ok := ctx.Value(contextKey{}).(Identity)
	return id, ok
}

// Policy says per full gRPC method which roles may call it.
type Policy map[string][]string

// For grants the roles every listed method of a service.
func (p Policy) For(service string, roles []string, methods ...string) Policy {
	for _, m := range methods {
		p["/"+service+"/"+m] = roles
	}
	return p
}

// Scope marks methods of a service as owner-scoped; they must have their roles already.
func (p Policy) Scope(service string, methods ...string) Policy {
	for _, m := range methods {
		full := "/" + service + "/" + m
		p[full] = append(slices.Clone(p[full]), OwnerScoped)
	}
	return p
}

// Authorise refuses the caller unless the policy names one of its roles for the method. A method without a row is refused.
// Reasons: NOT_SIGNED_IN, SECOND_FACTOR_DUE, ROLE_MISSING, OWNER_LIMITED.
func (p Policy) Authorise(ctx context.Context, method string) error {
	allowed := p[method]
	if slices.Contains(allowed, Anyone) {
		return nil
	}
	id, ok := FromContext(ctx)
	if !ok {
		return fault.New(fault.Unauthenticated, "NOT_SIGNED_IN", "This call needs a signed-in caller. Sign in, or send an API key.")
	}
	if id.Has(SecondFactorDue) && (!slices.Contains(allowed, SignedIn) || !strings.HasPrefix(method, ownSession)) {
		return fault.Denied("SECOND_FACTOR_DUE", "%s must have a second factor before it may call %s. Enrol one with EnrolSecondFactor "+
			"and ConfirmSecondFactor.", id.Account, method).With("method", method)
	}
	if !slices.Contains(allowed, SignedIn) && !slices.ContainsFunc(allowed, id.Has) {
		return p.roleMissing(id, method)
	}
	if len(id.Owners) > 0 && !slices.Contains(allowed, OwnerScoped) {
		return fault.Denied("OWNER_LIMITED", "%s sees only what belongs to %v, and %s can't be limited so. "+
			"Ask somebody whose account has no such limit.", id.Account, id.Owners, method).With("method", method)
	}
	return nil
}

// roleMissing names the roles that may call a method.
func (p Policy) roleMissing(id Identity, method string) error {
	roles := slices.DeleteFunc(slices.Clone(p[method]), func(r string) bool { return r == OwnerScoped })
	return fault.Denied("ROLE_MISSING", "%s may not call %s, which is for: %v. Ask somebody with one of these roles.",
		id.Account, method, roles).With("method", method).With("account", id.Account)
}
