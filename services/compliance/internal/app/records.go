package app

import (
	"context"
	"slices"
	"strings"
	"time"

	"google.golang.org/protobuf/proto"

	compliancev1 "coldsection.example/proto/coldsection/compliance/v1"
	"coldsection.example/services/compliance/internal/store"
	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/idempotency"
	"coldsection.example/services/platform/resource"
	"coldsection.example/services/platform/storage"
)

func (u unit) zone(name string) (*time.Location, error) {
	if kept, known := u.app.zones.Load(name); known {
		if zone, ok := kept.(*time.Location); ok {
			return zone, nil
		}
	}
	zone, err := time.LoadLocation(name)
	if err != nil || name == "Local" { // which is wherever this machine stands
		return nil, fault.Invalid("time_zone", "TIME_ZONE_UNKNOWN", "%q is not an IANA time zone, such as Europe/Oslo.", name)
	}
	u.app.zones.Store(name, zone) // they are read from files, and every item of a list asks for one
	return zone, nil
}

// CreateRequirement adds a requirement and works it out on everything that it applies to.
func (a *App) CreateRequirement(ctx context.Context, req *compliancev1.CreateRequirementRequest) (*compliancev1.Requirement, error) {
	return idempotency.Execute(ctx, a.DB, a.Clock, req, func(ctx context.Context, tx *storage.Tx) (*compliancev1.Requirement, error) {
		return a.unit(ctx, tx).createRequirement(ctx, req)
	})
}

func (u unit) createRequirement(ctx context.Context, req *compliancev1.CreateRequirementRequest) (*compliancev1.Requirement, error) {
	r := req.GetRequirement()
	resource.ClearOutputOnly(r)
	if err := checkRequirement(r, nil); err != nil {
		return nil, err
	}
	if err := u.checkNamed(ctx, r.GetApplicability(), nil); err != nil {
		return nil, err
	}
	r.Name, r.Revision = u.app.newName("requirements", req.GetRequirementId()), 1
	if err := u.checkLinks(ctx, r); err != nil {
		return nil, err
	}
	var err error
	if u.before, err = store.Rules(ctx, u.Tx); err != nil {
		return nil, err
	}
	if err := store.Requirements.Insert(ctx, u.Tx, r, u.now); err != nil {
		return nil, err
	}
	if err := store.AddVersion(ctx, u.Tx, r, u.now); err != nil {
		return nil, err
	}
	return r, u.adopt(ctx, r, r)
}

// UpdateRequirement makes the next revision.
func (a *App) UpdateRequirement(ctx context.Context, req *compliancev1.UpdateRequirementRequest) (*compliancev1.Requirement, error) {
	return idempotency.Execute(ctx, a.DB, a.Clock, req, func(ctx context.Context, tx *storage.Tx) (*compliancev1.Requirement, error) {
		u := a.unit(ctx, tx)
		r, err := store.Requirements.Lock(ctx, tx, req.GetRequirement().GetName())
		if err != nil {
			return nil, err
		}
		if err := resource.CheckEtag(r, req.GetRequirement().GetEtag()); err != nil {
			return nil, err
		}
		was := proto.CloneOf(r)
		if u.before, err = store.Rules(ctx, tx); err != nil {
			return nil, err
		}
		if err := resource.Apply(r, req.GetRequirement(), req.GetUpdateMask()); err != nil {
			return nil, err
		}
		if err := checkRequirement(r, was); err != nil {
			return nil, err
		}
		if err := u.checkLinks(ctx, r); err != nil {
			return nil, err
		}
		if err := u.checkNamed(ctx, r.GetApplicability(), was.GetApplicability()); err != nil {
			return nil, err
		}
		r.Revision++
		if err := store.Requirements.Save(ctx, tx, r, u.now); err != nil {
			return nil, err
		}
		if err := store.AddVersion(ctx, tx, r, u.now); err != nil {
			return nil, err
		}
		return r, u.adopt(ctx, r, was)
	})
}

// checkNamed refuses conditions that name an engine or aircraft which is not known: a slip in a name would leave out the one that is meant, and
// nobody would be told. Those that it named before are not asked about again.
func (u unit) checkNamed(ctx context.Context, a, was *compliancev1.Applicability) error {
	for _, named := range []struct {
		field    string
		now, old []string
	}{{"engines", a.GetEngines(), was.GetEngines()}, {"aircraft", a.GetAircraft(), was.GetAircraft()}} {
		for _, name := range named.now {
			if slices.Contains(named.old, name) {
				continue
			}
			if _, err := u.read(ctx, name); fault.HasReason(err, "NOT_FOUND") || err == nil && !strings.HasPrefix(name, named.field+"/") {
				return fault.Invalid("requirement.applicability."+named.field, "SUBJECT_UNKNOWN",
					"There is no %q among the %s here, so the requirement would be held against nothing by that name. Correct the name, or enter it first.", name, named.field)
			} else if err != nil {
				return err
			}
		}
	}
	return nil
}

// requirementLinks are which requirements end and replace others, which one change at a time looks at: two never close a circle together.
const requirementLinks = "links of requirements"

// checkLinks refuses a requirement that would end itself or take its own place, also through others, and a terminated one that is not known. Of a circle
// of successors nothing would be left due. Reasons: LINK_INVALID, NOT_FOUND.
func (u unit) checkLinks(ctx context.Context, r *compliancev1.Requirement) error {
	if r.GetSuccessor() == "" && r.GetTerminates() == "" {
		return nil
	}
	if err := u.Alone(ctx, requirementLinks); err != nil {
		return err
	}
	through, err := u.backTo(ctx, r, (*compliancev1.Requirement).GetSuccessor)
	if err != nil {
		return err
	}
	if through != "" {
		return fault.Invalid("requirement.successor", "LINK_INVALID", "%s would take its own place through %s, and nothing would be due. Name another requirement.", r.GetCode(), through)
	}
	if ended := r.GetTerminates(); ended != "" && ended != r.GetName() {
		if _, err := store.Requirements.Get(ctx, u.Tx, ended); err != nil {
			return err
		}
	}
	if through, err = u.backTo(ctx, r, (*compliancev1.Requirement).GetTerminates); err == nil && through != "" {
		return fault.Invalid("requirement.terminates", "LINK_INVALID", "%s would end itself through %s. Name another requirement.", r.GetCode(), through)
	}
	return err
}

// backTo is the requirement from which a line of links comes back to where it began; empty when it ends somewhere.
func (u unit) backTo(ctx context.Context, r *compliancev1.Requirement, link func(*compliancev1.Requirement) string) (string, error) {
	passed := map[string]bool{}
	for at := r; link(at) != "" && !passed[link(at)]; {
		next := link(at)
		if next == r.GetName() {
			return at.GetName(), nil
		}
		passed[next] = true
		found, err := store.Requirements.Get(ctx, u.Tx, next)
		if fault.HasReason(err, "NOT_FOUND") {
			return "", nil
		}
		if err != nil {
			return "", err
		}
		at = found
	}
	return "", nil
}

// adopt works a requirement out on everything that it is held against, or has an item of it from before, and with it what follows from it now or
// did before it changed.
func (u unit) adopt(ctx context.Context, r, was *compliancev1.Requirement) error {
	all, err := u.postponable(ctx)
	if err != nil {
		return err
	}
	if len(all) > 0 {
		if u, err = u.withRules(ctx); err != nil {
			return err
		}
		if err := u.recomputeThese(ctx, all, u.changing(r, was), ""); err != nil {
			return err
		}
	}
	return u.publish(ctx, "coldsection.compliance.requirement.adopted.v1", r.GetName(),
		&compliancev1.RequirementAdopted{Requirement: r.GetName(), Code: r.GetCode(), Revision: r.GetRevision()})
}

// changing are the requirements whose items a change of one may change: it, what it ends and ended, what it takes the place of, and what counts
// from an overhaul when it is one or was.
func (u unit) changing(r, was *compliancev1.Requirement) names {
	all := names{r.GetName()}
	for _, ended := range []string{r.GetTerminates(), was.GetTerminates()} {
		if ended != "" {
			all = append(all, ended)
		}
	}
	for _, other := range u.rules {
		if other.GetSuccessor() == r.GetName() {
			all = append(all, other.GetName())
		}
	}
	if r.GetKind() == compliancev1.Requirement_OVERHAUL || was.GetKind() == compliancev1.Requirement_OVERHAUL {
		all = append(all, u.countingOverhauls()...)
	}
	return all
}
