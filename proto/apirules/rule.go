package apirules

import (
	"cmp"
	"fmt"
	"slices"
	"strings"

	"google.golang.org/protobuf/reflect/protoreflect"
)

// Rule is one sentence of one AIP that a machine can check.
type Rule struct {
	ID      string // the public id, core::NNNN::name
	Summary string // what it asks for, in one sentence
	check   func(r *run)
}

// Finding is a breach of a rule.
type Finding struct {
	Rule     string                // id of the rule
	Element  protoreflect.FullName // what breaks it; for a file its package
	Position string                // file:line where the source is known, otherwise the file
	Text     string                // what is wrong and what to do
}

// String is the finding on one line.
func (f Finding) String() string {
	return fmt.Sprintf("%s: %s: %s: %s", f.Position, f.Rule, f.Element, f.Text)
}

// Exception allows one element, and what is declared inside it, to break one rule.
type Exception struct {
	Rule    string
	Element protoreflect.FullName
	Reason  string // why the rule would do harm here
}

func (e Exception) covers(f Finding) bool {
	return e.Rule == f.Rule && (e.Element == f.Element || strings.HasPrefix(string(f.Element), string(e.Element)+"."))
}

// unusedException is the id under which an exception without effect or without reason is reported.
const unusedException = "exception-needed"

// Rules returns every rule, ordered by id.
func Rules() []Rule {
	all := slices.Concat(methodRules(), listRules(), resourceRules(), fieldRules(), enumRules(), fileRules())
	slices.SortFunc(all, func(a, b Rule) int { return cmp.Compare(a.ID, b.ID) })
	return all
}

// Check runs every rule over the files and returns what no exception covers, ordered by position. Files that the given ones
// import are read but not judged. Comments are judged only as far as the descriptors carry source information, which
// descriptors linked into a program do not.
func Check(files []protoreflect.FileDescriptor, exceptions []Exception) []Finding {
	index := newContract(files)
	var findings []Finding
	used := make([]bool, len(exceptions))
	for _, rule := range Rules() {
		r := &run{contract: index, rule: rule.ID}
		rule.check(r)
		for _, f := range r.findings {
			i := slices.IndexFunc(exceptions, func(e Exception) bool { return e.covers(f) })
			if i < 0 {
				findings = append(findings, f)
			} else {
				used[i] = true
			}
		}
	}
	findings = append(findings, idle(exceptions, used)...)
	slices.SortFunc(findings, func(a, b Finding) int {
		return cmp.Or(cmp.Compare(a.Position, b.Position), cmp.Compare(a.Rule, b.Rule), cmp.Compare(a.Element, b.Element))
	})
	return findings
}

// idle reports the exceptions that hide nothing or give no reason.
func idle(exceptions []Exception, used []bool) []Finding {
	var findings []Finding
	for i, e := range exceptions {
		var text string
		switch {
		case e.Reason == "":
			text = "the exception to " + e.Rule + " gives no reason; write one"
		case !used[i]:
			text = "nothing here breaks " + e.Rule + " any more; remove the exception"
		default:
			continue
		}
		findings = append(findings, Finding{Rule: unusedException, Element: e.Element, Position: "exceptions", Text: text})
	}
	return findings
}

// run is one rule at work on one contract.
type run struct {
	*contract

	rule     string
	findings []Finding
}

// reportf records a breach by d.
func (r *run) reportf(d protoreflect.Descriptor, format string, args ...any) {
	r.findings = append(r.findings, Finding{
		Rule: r.rule, Element: d.FullName(), Position: position(d), Text: fmt.Sprintf(format, args...),
	})
}

// position says where an element is declared.
func position(d protoreflect.Descriptor) string {
	file := d.ParentFile()
	loc := file.SourceLocations().ByDescriptor(d)
	if loc.Path == nil {
		return file.Path()
	}
	return fmt.Sprintf("%s:%04d", file.Path(), loc.StartLine+1)
}
