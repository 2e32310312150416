package apirules

import (
	"regexp"
	"slices"
	"strings"

	"google.golang.org/genproto/googleapis/api/annotations"
	"google.golang.org/protobuf/reflect/protoreflect"
)

func methodRules() []Rule {
	return []Rule{
		{"core::0127::http-annotation", "Every unary method is mapped to HTTP, and never to PUT.", httpAnnotation},
		{"core::0131::response-message-name", "Get methods return the resource.", standardResponse("Get")},
		{"core::0133::response-message-name", "Create methods return the resource.", standardResponse("Create")},
		{"core::0134::response-message-name", "Update methods return the resource.", standardResponse("Update")},
		{"core::0134::request-mask-required", "Update requests have an update_mask.", updateMask},
		{"core::0135::response-message-name", "Delete methods return Empty or, for a soft delete, the resource.", deleteResponse},
		{"core::0136::http-uri-suffix", "Custom methods have a :verb in camelCase that their name starts with.", customVerb},
		{"core::0136::prepositions", "Names of custom methods have no preposition.", methodPrepositions},
		{"core::0136::response-message-name", "Custom methods return a resource or a message of their own name.", customResponse},
		{"core::0155::request-id-format", "request_id is annotated as a UUID4.", requestID},
	}
}

var (
	standardPrefixes = []string{"Get", "List", "Create", "Update", "Delete"}
	verbSuffix       = regexp.MustCompile(`:([A-Za-z]+)$`)
	camelCase        = regexp.MustCompile(`^[a-z]+([A-Z][a-z]*)*$`)
)

// subject returns the noun of a standard method: GetBook has subject Book for prefix Get. It is "" for other methods.
func subject(m protoreflect.MethodDescriptor, prefix string) string {
	rest, ok := strings.CutPrefix(string(m.Name()), prefix)
	if !ok || rest == "" || rest[0] < 'A' || rest[0] > 'Z' {
		return ""
	}
	return rest
}

// custom says whether a method is none of the standard ones.
func custom(m protoreflect.MethodDescriptor) bool {
	return !slices.ContainsFunc(standardPrefixes, func(p string) bool { return subject(m, p) != "" })
}

func streaming(m protoreflect.MethodDescriptor) bool {
	return m.IsStreamingClient() || m.IsStreamingServer()
}

func httpAnnotation(r *run) {
	for _, m := range r.methods {
		rule := httpRule(m)
		switch {
		case rule == nil && !streaming(m):
			r.reportf(m, "has no google.api.http option; give it its REST path")
		case slices.ContainsFunc(bindings(rule), func(b *annotations.HttpRule) bool { return b.GetPut() != "" }):
			r.reportf(m, "is mapped to PUT; use PATCH with an update_mask")
		}
	}
}

// bindings returns the main mapping of a method and its additional ones.
func bindings(rule *annotations.HttpRule) []*annotations.HttpRule {
	if rule == nil {
		return nil
	}
	return append([]*annotations.HttpRule{rule}, rule.GetAdditionalBindings()...)
}

func path(rule *annotations.HttpRule) string {
	for _, p := range []string{rule.GetGet(), rule.GetPost(), rule.GetPatch(), rule.GetDelete(), rule.GetPut()} {
		if p != "" {
			return p
		}
	}
	return ""
}

func standardResponse(prefix string) func(*run) {
	return func(r *run) {
		for _, m := range r.methods {
			noun := subject(m, prefix)
			if noun != "" && string(m.Output().Name()) != noun && !operation(m) {
				r.reportf(m, "returns %s; return the resource %s", m.Output().Name(), noun)
			}
		}
	}
}

func operation(m protoreflect.MethodDescriptor) bool {
	return m.Output().FullName() == "google.longrunning.Operation"
}

func updateMask(r *run) {
	for _, m := range r.methods {
		if subject(m, "Update") == "" {
			continue
		}
		f := field(m.Input(), "update_mask")
		if f == nil || f.Message() == nil || f.Message().FullName() != "google.protobuf.FieldMask" {
			r.reportf(m.Input(), "has no google.protobuf.FieldMask update_mask; add it")
		}
	}
}

func deleteResponse(r *run) {
	for _, m := range r.methods {
		noun := subject(m, "Delete")
		ok := m.Output().FullName() == "google.protobuf.Empty" || string(m.Output().Name()) == noun || operation(m)
		if noun != "" && !ok {
			r.reportf(m, "returns %s; return google.protobuf.Empty, or %s for a soft delete", m.Output().Name(), noun)
		}
	}
}

func customVerb(r *run) {
	for _, m := range r.methods {
		rule := httpRule(m)
		if !custom(m) || rule == nil {
			continue
		}
		name := strings.ToLower(string(m.Name()))
		for _, b := range bindings(rule) {
			verb := verbSuffix.FindStringSubmatch(path(b))
			switch {
			case verb == nil:
				r.reportf(m, "path %q ends in no :verb; add one", path(b))
			case !camelCase.MatchString(verb[1]):
				r.reportf(m, "verb %q is not camelCase", verb[1])
			case !strings.HasPrefix(name, strings.ToLower(verb[1])):
				r.reportf(m, "verb %q is not how the method's name starts; make them the same", verb[1])
			}
		}
	}
}

func methodPrepositions(r *run) {
	for _, m := range r.methods {
		if !custom(m) {
			continue
		}
		for _, w := range words(string(m.Name())) {
			if prepositions[w] {
				r.reportf(m, "has the preposition %q in its name; name it verb and noun", w)
			}
		}
	}
}

func customResponse(r *run) {
	for _, m := range r.methods {
		out := m.Output()
		if !custom(m) || operation(m) || resource(out) != nil || out.FullName() == "google.protobuf.Empty" {
			continue
		}
		if want := m.Name() + "Response"; out.Name() != want {
			r.reportf(m, "returns %s, which is no resource; call it %s", out.Name(), want)
		}
	}
}

func requestID(r *run) {
	for _, m := range r.requests() {
		f := field(m, "request_id")
		if f != nil && (!isString(f) || format(f) != annotations.FieldInfo_UUID4) {
			r.reportf(f, "has no (google.api.field_info).format = UUID4; add it")
		}
	}
}
