package oidc

import (
	"fmt"
	"slices"
	"strings"
)

// Grants say what members of the provider's groups may do here. A group that is not named gives nothing.
type Grants struct {
	Roles  map[string][]string // group to roles
	Owners map[string][]string // group to the owners that its members are limited to
}

// ParseGrants reads lines such as "mechanics=technician" and "airline-a=owner-a"; a group may stand in several.
func ParseGrants(roles, owners, known []string) (Grants, error) {
	g := Grants{Roles: map[string][]string{}, Owners: map[string][]string{}}
	for _, line := range roles {
		group, role, err := pair(line)
		if err != nil {
			return g, err
		}
		if !slices.Contains(known, role) {
			return g, fmt.Errorf("%q names no role; roles are %s", line, strings.Join(known, ", "))
		}
		g.Roles[group] = append(g.Roles[group], role)
	}
	for _, line := range owners {
		group, owner, err := pair(line)
		if err != nil {
			return g, err
		}
		g.Owners[group] = append(g.Owners[group], owner)
	}
	return g, nil
}

func pair(line string) (group, value string, err error) {
	i := strings.LastIndex(line, "=")
	if i <= 0 || i == len(line)-1 {
		return "", "", fmt.Errorf("%q is no group with what it gives; write group=value", line)
	}
	return line[:i], line[i+1:], nil
}

// For returns what membership in the groups gives, sorted. Whoever is in a group that is limited to owners is limited,
// whatever other groups there are.
func (g Grants) For(groups []string) (roles, owners []string) {
	for _, group := range groups {
		roles = append(roles, g.Roles[group]...)
		owners = append(owners, g.Owners[group]...)
	}
	return distinct(roles), distinct(owners)
}

func distinct(list []string) []string {
	slices.Sort(list)
	return slices.Compact(list)
}
