package accounts

import (
	"context"
	"slices"
	"strings"

	accessv1 "coldsection.example/proto/coldsection/access/v1"
	"coldsection.example/services/platform/auth"
	"coldsection.example/services/platform/facts"
	"coldsection.example/services/platform/fault"
)

// The forms of a scope: "read", "role:stores", "area:consumables".
const (
	scopeRead = "read"
	scopeRole = "role:"
	scopeArea = "area:"
)

// areas are the areas of the contract that scopes may name.
var areas = []string{"access", "compliance", "consumables", "performance", "workorders"}

// Scopes are those that a key of any account may have, with what each leaves; those of roles are "role:" and a role of the account.
func Scopes() map[string]string {
	all := map[string]string{scopeRead: "Reads, and changes nothing."}
	for _, area := range areas {
		all[scopeArea+area] = "Calls of the area " + area + ", and no others."
	}
	return all
}

// CheckScopes refuses scopes that mean nothing and roles that the account does not have. Reasons: SCOPE_UNKNOWN, ROLE_MISSING.
func CheckScopes(account *accessv1.Account, scopes []string) error {
	for _, s := range scopes {
		role, isRole := strings.CutPrefix(s, scopeRole)
		area, isArea := strings.CutPrefix(s, scopeArea)
		switch {
		case isRole && !slices.Contains(account.GetRoles(), role):
			return fault.Denied("ROLE_MISSING", "%s does not have the role %q, so none of its keys can. Give it the role first, or leave the scope out.",
				account.GetName(), role)
		case isArea && !slices.Contains(areas, area), !isRole && !isArea && s != scopeRead:
			return fault.Invalid("scopes", "SCOPE_UNKNOWN", "%q is no scope. Scopes are read, role:… and area:… with one of %s.", s, strings.Join(areas, ", "))
		}
	}
	return nil
}

// some are the values of the scopes of one form.
func some(scopes []string, form string) (values []string) {
	for _, s := range scopes {
		if v, ok := strings.CutPrefix(s, form); ok {
			values = append(values, v)
		}
	}
	return values
}

// limiting is the role that takes away, not gives: programs that reason in text.
const limiting = "agent"

// narrowed are the roles that scopes leave; without a role among them, all. The role of agents limits whoever has it, so no scope takes it away.
func narrowed(roles, scopes []string) []string {
	named := some(scopes, scopeRole)
	if len(named) == 0 {
		return roles
	}
	return slices.DeleteFunc(slices.Clone(roles), func(r string) bool { return r != limiting && !slices.Contains(named, r) })
}

// narrow is a key's scopes made narrower by those that a token asks for; false when it asks for more than the key has.
func narrow(key, asked []string) ([]string, bool) {
	var out []string
	for _, form := range []string{scopeRole, scopeArea} {
		has, wants := some(key, form), some(asked, form)
		if len(wants) == 0 {
			wants = has
		}
		for _, v := range wants {
			if len(has) > 0 && !slices.Contains(has, v) {
				return nil, false
			}
			out = append(out, form+v)
		}
	}
	if slices.Contains(key, scopeRead) || slices.Contains(asked, scopeRead) {
		out = append(out, scopeRead)
	}
	slices.Sort(out)
	return slices.Compact(out), true
}

// Reader is what the holder of these roles and scopes may read of the facts.
func Reader(account string, roles, scopes []string) facts.Reader {
	return facts.Reader{Who: account, Roles: narrowed(roles, scopes), Areas: some(scopes, scopeArea)}
}

// ReaderOf is what a caller may read of the facts.
func ReaderOf(ctx context.Context) facts.Reader {
	id, _ := auth.FromContext(ctx)
	return Reader(id.Account, id.Roles, id.Scopes)
}

// ofAllAreas is where what every area has stands as one collection, such as its operations; a key gets the rows of its areas there.
const ofAllAreas = "operations"

// InScope says whether a caller's key reaches an area; every caller without one does.
func InScope(ctx context.Context, area string) bool {
	id, _ := auth.FromContext(ctx)
	named := some(id.Scopes, scopeArea)
	return len(named) == 0 || slices.Contains(named, area)
}

// AllowScopes refuses a method that the caller's key is narrowed away from. Reason: SCOPE_MISSING.
func AllowScopes(id auth.Identity, method string, readOnly bool) error {
	named := some(id.Scopes, scopeArea)
	area, _, _ := strings.Cut(strings.TrimPrefix(strings.TrimPrefix(method, "/"), "coldsection."), ".")
	if slices.Contains(id.Scopes, scopeRead) && !readOnly || len(named) > 0 && !slices.Contains(named, area) && area != ofAllAreas {
		return fault.Denied("SCOPE_MISSING", "This key of %s is limited to %s, so it may not call %s. Use another key, or have one made.",
			id.Account, strings.Join(id.Scopes, " "), method).With("method", method)
	}
	return nil
}
