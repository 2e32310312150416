package apirules

import (
	"regexp"
	"strings"

	"google.golang.org/protobuf/reflect/protoreflect"
)

func enumRules() []Rule {
	return []Rule{
		{"core::0126::unspecified", "The first value of an enum is 0 and called unspecified.", unspecified},
		{"core::0126::upper-snake-values", "Enum values are UPPER_SNAKE_CASE.", upperSnake},
		{"core::0216::value-synonyms", "States use the common word for what they mean.", valueSynonyms},
	}
}

func fileRules() []Rule {
	return []Rule{
		{"core::0191::proto-version", "Files are proto3.", protoVersion},
		{"core::0192::has-comments", "Every element of the contract has a comment.", hasComments},
		{"core::0215::versioned-packages", "Packages end in a version.", versionedPackages},
	}
}

var (
	upperSnakeForm = regexp.MustCompile(`^[A-Z][A-Z0-9]*(_[A-Z0-9]+)*$`)
	versionedForm  = regexp.MustCompile(`\.v[1-9][0-9]*((alpha|beta)[0-9]*)?$`)
	capitals       = regexp.MustCompile(`([a-z0-9])([A-Z])`)
)

func unspecified(r *run) {
	for _, e := range r.enums {
		want := strings.ToUpper(capitals.ReplaceAllString(string(e.Name()), "${1}_${2}")) + "_UNSPECIFIED"
		first := e.Values().Get(0)
		if string(first.Name()) != want || first.Number() != 0 {
			r.reportf(e, "starts with %s = %d; start with %s = 0", first.Name(), first.Number(), want)
		}
	}
}

func upperSnake(r *run) {
	for _, e := range r.enums {
		for i := range e.Values().Len() {
			if v := e.Values().Get(i); !upperSnakeForm.MatchString(string(v.Name())) {
				r.reportf(v, "is not UPPER_SNAKE_CASE")
			}
		}
	}
}

func valueSynonyms(r *run) {
	common := map[string]string{
		"CANCELED": "CANCELLED", "CANCELING": "CANCELLING", "FAIL": "FAILED", "FAILURE": "FAILED", "READY": "ACTIVE",
		"SUCCESS": "SUCCEEDED", "SUCCESSFUL": "SUCCEEDED",
	}
	for _, e := range r.enums {
		if !strings.HasSuffix(string(e.Name()), "State") {
			continue
		}
		for i := range e.Values().Len() {
			v := e.Values().Get(i)
			if want := common[string(v.Name())]; want != "" {
				r.reportf(v, "call it %s", want)
			}
		}
	}
}

func protoVersion(r *run) {
	for _, f := range r.files {
		if f.Syntax() != protoreflect.Proto3 {
			r.reportf(f, "is %s; write it in proto3", f.Syntax())
		}
	}
}

func versionedPackages(r *run) {
	for _, f := range r.files {
		if !versionedForm.MatchString(string(f.Package())) {
			r.reportf(f, "package %q does not end in a version such as v1", f.Package())
		}
	}
}

// hasComments looks at every element, values of enums included.
func hasComments(r *run) {
	check := func(d protoreflect.Descriptor) {
		if strings.TrimSpace(d.ParentFile().SourceLocations().ByDescriptor(d).LeadingComments) == "" {
			r.reportf(d, "has no comment; say what it is, its unit and who may use it")
		}
	}
	for _, f := range r.files {
		for i := range f.Services().Len() {
			check(f.Services().Get(i))
		}
	}
	for _, m := range r.methods {
		check(m)
	}
	for _, m := range r.messages {
		check(m)
	}
	r.fields(func(f protoreflect.FieldDescriptor) { check(f) })
	for _, e := range r.enums {
		check(e)
		for i := range e.Values().Len() {
			check(e.Values().Get(i))
		}
	}
}
