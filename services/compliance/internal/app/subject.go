package app

import (
	"context"
	"fmt"
	"strings"

	compliancev1 "coldsection.example/proto/coldsection/compliance/v1"
	"coldsection.example/services/compliance/internal/apply"
	"coldsection.example/services/compliance/internal/civil"
	"coldsection.example/services/compliance/internal/store"
)

// read reads what has counters, which requirements are held against: an engine, a component or an aircraft.
func (u unit) read(ctx context.Context, name string) (thing, error) {
	if t := u.loaded.thing(name); t != nil {
		return t, nil
	}
	switch kindOf(name) {
	case compliancev1.Applicability_AIRCRAFT:
		return store.Aircraft.Get(ctx, u.Tx, name)
	case compliancev1.Applicability_COMPONENTS:
		return store.Components.Get(ctx, u.Tx, name)
	default:
		return store.Engines.Get(ctx, u.Tx, name)
	}
}

// kindOf is what a name is of.
func kindOf(name string) compliancev1.Applicability_SubjectKind {
	switch {
	case strings.HasPrefix(name, "aircraft/"):
		return compliancev1.Applicability_AIRCRAFT
	case strings.HasPrefix(name, "components/"):
		return compliancev1.Applicability_COMPONENTS
	default:
		return compliancev1.Applicability_ENGINES
	}
}

// heldAgainst is what a requirement is held against; unset means engines.
func heldAgainst(r *compliancev1.Requirement) compliancev1.Applicability_SubjectKind {
	if kind := r.GetApplicability().GetSubjectKind(); kind != compliancev1.Applicability_SUBJECT_KIND_UNSPECIFIED {
		return kind
	}
	return compliancev1.Applicability_ENGINES
}

var kindWords = map[compliancev1.Applicability_SubjectKind]string{
	compliancev1.Applicability_ENGINES: "engines", compliancev1.Applicability_COMPONENTS: "components", compliancev1.Applicability_AIRCRAFT: "aircraft",
}

// blank is an empty one of the same kind.
func blank(t thing) thing {
	switch t.(type) {
	case *compliancev1.Aircraft:
		return &compliancev1.Aircraft{}
	case *compliancev1.Component:
		return &compliancev1.Component{}
	default:
		return &compliancev1.Engine{}
	}
}

// label is what people call a subject by: its serial number or registration.
func label(t thing) string {
	switch t := t.(type) {
	case *compliancev1.Aircraft:
		return t.GetRegistration()
	case *compliancev1.Component:
		return t.GetPartNumber() + " " + t.GetSerial()
	case *compliancev1.Engine:
		return t.GetSerial()
	default:
		return t.GetName()
	}
}

func madeOn(t thing) civil.Date {
	switch t := t.(type) {
	case *compliancev1.Component:
		return dateOf(t.GetManufactureDate())
	case *compliancev1.Engine:
		return dateOf(t.GetManufactureDate())
	default:
		return civil.Date{}
	}
}

// item is a subject as conditions are held against it; those on models and engines look at the engine that a component is in.
func (s seen) item() apply.Item {
	item := apply.Item{Name: s.engine.GetName(), Model: s.engine.GetEngineModel(), Aircraft: s.plane.GetName()}
	switch t := s.subject.(type) {
	case *compliancev1.Aircraft:
		item.Serial, item.AircraftModel = t.GetSerial(), t.GetModel()
	case *compliancev1.Component:
		item.Serial, item.PartNumber, item.Embodied, item.Loose = t.GetSerial(), t.GetPartNumber(), t.GetEmbodied(), s.engine == nil
	case *compliancev1.Engine:
		item.Serial, item.Embodied = t.GetSerial(), t.GetEmbodied()
	}
	return item
}

// applicable decides by model, name, part number, serial and configuration, and says why.
func applicable(r *compliancev1.Requirement, s seen) (apply.Answer, string) {
	if want, have := heldAgainst(r), kindOf(s.subject.GetName()); want != have {
		return apply.No, fmt.Sprintf("It is for %s, not for %s", kindWords[want], kindWords[have])
	}
	return apply.Decide(s.rule(r), s.item())
}

// ruleOf is to what a requirement applies, nil when nobody decided that yet.
func ruleOf(r *compliancev1.Requirement) *apply.Rule {
	a := r.GetApplicability()
	if a == nil {
		return nil
	}
	rule := &apply.Rule{
		Models: a.GetEngineModels(), Engines: a.GetEngines(), Aircraft: a.GetAircraft(), PartNumbers: a.GetPartNumbers(), AircraftModels: a.GetAircraftModels(),
		EmbodiedAny: a.GetEmbodiedAny(), EmbodiedNone: a.GetEmbodiedNone(),
	}
	for _, s := range a.GetSerialRanges() {
		rule.Serials = append(rule.Serials, apply.Range{First: s.GetFirstSerial(), Last: s.GetLastSerial(), Excluded: s.GetExcluded()})
	}
	return rule
}

// dueName is the name of the item of a requirement on a subject; ids have no dot, so that no two are alike.
func dueName(requirement, subject string) string {
	return "dueItems/" + strings.TrimPrefix(requirement, "requirements/") + "." + strings.ReplaceAll(strings.TrimPrefix(subject, "engines/"), "/", ".")
}

// partsWithin are the components that are in something now, directly or in others.
func (u unit) partsWithin(ctx context.Context, host string) ([]string, error) {
	var all []string
	for hosts := []string{host}; len(hosts) > 0; hosts = hosts[1:] {
		parts, err := store.Components.Where(ctx, u.Tx, "host = $1 ORDER BY name", hosts[0])
		if err != nil {
			return nil, err
		}
		for _, p := range parts {
			all, hosts = append(all, p.GetName()), append(hosts, p.GetName())
		}
	}
	return all, nil
}

// recomputeWithin works out an engine or component and every component that is in it.
func (u unit) recomputeWithin(ctx context.Context, name string) error {
	parts, err := u.partsWithin(ctx, name)
	if err != nil {
		return err
	}
	return u.recomputeAll(ctx, append([]string{name}, parts...))
}

// recomputeOn works out an aircraft and everything that is on it: its zone and its rate are theirs.
func (u unit) recomputeOn(ctx context.Context, plane string) error {
	all := []string{plane}
	engines, err := store.Engines.Where(ctx, u.Tx, "aircraft = $1 ORDER BY name", plane)
	if err != nil {
		return err
	}
	for _, e := range engines {
		parts, err := u.partsWithin(ctx, e.GetName())
		if err != nil {
			return err
		}
		all = append(append(all, e.GetName()), parts...)
	}
	return u.recomputeAll(ctx, all)
}
