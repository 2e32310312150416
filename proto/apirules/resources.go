package apirules

import (
	"regexp"
	"slices"
	"strings"

	"google.golang.org/genproto/googleapis/api/annotations"
	"google.golang.org/protobuf/reflect/protoreflect"
)

func resourceRules() []Rule {
	return []Rule{
		{"core::0123::resource-annotation", "Messages that carry a resource name of their own are annotated as resources.", resourceAnnotation},
		{"core::0123::resource-name-field", "Resources have a string name.", resourceName},
		{"core::0123::resource-pattern", "Patterns alternate camelCase collections and {snake_case} ids.", resourcePattern},
		{"core::0123::resource-type-name", "A resource type is a service name, a slash and the message's name.", resourceType},
		{"core::0154::field-type", "An etag is a string.", etagType},
		{"core::0203::field-behavior-required", "Fields that a request carries say how they behave.", fieldBehavior},
		{"core::0216::state-field-output-only", "A resource's state is output only: verbs change it.", stateOutputOnly},
	}
}

var (
	collectionSegment = regexp.MustCompile(`^[a-z][a-zA-Z0-9]*$`)
	variableSegment   = regexp.MustCompile(`^\{[a-z][a-z0-9_]*[a-z0-9]\}$`)
)

// resourceAnnotation looks at what Get returns and List repeats, when it is ours and has a name: such a message is a resource.
func resourceAnnotation(r *run) {
	for _, m := range r.methods {
		out := m.Output()
		if subject(m, "List") != "" {
			if f := firstField(out); f != nil {
				out = f.Message()
			}
		} else if subject(m, "Get") == "" {
			continue
		}
		if out != nil && r.own[out.FullName()] && field(out, "name") != nil && resource(out) == nil {
			r.reportf(out, "is returned by %s and has a name, but no google.api.resource option; add it", m.Name())
		}
	}
}

func resourceName(r *run) {
	for _, m := range r.resources() {
		if f := field(m, "name"); f == nil || !isString(f) {
			r.reportf(m, "has no string name; a resource is found by its name")
		}
	}
}

func resourcePattern(r *run) {
	for _, m := range r.resources() {
		patterns := resource(m).GetPattern()
		if len(patterns) == 0 {
			r.reportf(m, "gives no pattern of its names")
		}
		for _, p := range patterns {
			if !alternates(p) {
				r.reportf(m, "pattern %q does not alternate collections and {ids}; a single one per parent may end in a collection", p)
			}
		}
	}
}

// alternates says whether the segments of a pattern are collection, id, collection and so on; the last may be a collection
// without id, for a resource of which each parent has one.
func alternates(pattern string) bool {
	for i, segment := range strings.Split(pattern, "/") {
		form := collectionSegment
		if i%2 == 1 {
			form = variableSegment
		}
		if !form.MatchString(segment) {
			return false
		}
	}
	return strings.Contains(pattern, "/")
}

func resourceType(r *run) {
	for _, m := range r.resources() {
		service, name, _ := strings.Cut(resource(m).GetType(), "/")
		if service == "" || name != string(m.Name()) {
			r.reportf(m, "type %q is not a service name, a slash and %s", resource(m).GetType(), m.Name())
		}
	}
}

func etagType(r *run) {
	r.fields(func(f protoreflect.FieldDescriptor) {
		if f.Name() == "etag" && !isString(f) {
			r.reportf(f, "is not a string; an etag is opaque text")
		}
	})
}

func fieldBehavior(r *run) {
	for _, m := range r.reachable(slices.Concat(r.requests(), r.resources())) {
		for i := range m.Fields().Len() {
			if f := m.Fields().Get(i); len(behavior(f)) == 0 {
				r.reportf(f, "has no google.api.field_behavior; say REQUIRED, OPTIONAL or OUTPUT_ONLY")
			}
		}
	}
}

func stateOutputOnly(r *run) {
	for _, m := range r.resources() {
		f := field(m, "state")
		if f == nil || f.Enum() == nil || !strings.HasSuffix(string(f.Enum().Name()), "State") {
			continue
		}
		if !slices.Contains(behavior(f), annotations.FieldBehavior_OUTPUT_ONLY) {
			r.reportf(f, "can be written; make it OUTPUT_ONLY and change it by verbs")
		}
	}
}
