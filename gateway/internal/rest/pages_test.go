package rest

import (
	"go/ast"
	"go/parser"
	"go/token"
	"io/fs"
	"maps"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"

	"coldsection.example/services/platform/rpc"
)

var (
	reasonText  = regexp.MustCompile(`^[A-Z][A-Z0-9]*(_[A-Z0-9]+)+$|^INTERNAL$`)
	placeholder = regexp.MustCompile(`%[-+#0-9.]*[a-zA-Z]`)
)

// found is the code and the sentences of each reason in the source.
type found map[string][]string

func (f found) add(reason, code, sentence string) {
	if len(f[reason]) == 0 {
		f[reason] = []string{code}
	}
	sentence = strings.ReplaceAll(placeholder.ReplaceAllString(sentence, "…"), "%%", "%")
	if strings.Contains(sentence, " ") && !slices.Contains(f[reason], sentence) {
		f[reason] = append(f[reason], sentence)
	}
}

// literal is the text of a string literal, also of one in parts or that fmt.Sprintf fills in.
func literal(e ast.Expr) string {
	switch e := e.(type) {
	case *ast.BasicLit:
		text, _ := strconv.Unquote(e.Value)
		return text
	case *ast.BinaryExpr:
		if first, second := literal(e.X), literal(e.Y); first != "" && second != "" {
			return first + second
		}
	case *ast.CallExpr:
		if called(e) == "Sprintf" && len(e.Args) > 0 {
			return literal(e.Args[0])
		}
	}
	return ""
}

func called(c *ast.CallExpr) string {
	switch f := c.Fun.(type) {
	case *ast.Ident:
		return f.Name
	case *ast.SelectorExpr:
		return f.Sel.Name
	default:
		return ""
	}
}

// Visit collects the reasons of calls such as fault.Invalid, and of functions that return a reason and its sentence.
func (f found) Visit(n ast.Node) ast.Visitor {
	switch n := n.(type) {
	case *ast.CallExpr:
		name := called(n)
		code := map[string]string{
			"Invalid": "INVALID_ARGUMENT", "Precondition": "FAILED_PRECONDITION", "Denied": "PERMISSION_DENIED",
			"closed": "FAILED_PRECONDITION", // a gate's answer, which whoever asked the gate refuses with
		}[name]
		if name == "New" && len(n.Args) > 0 {
			code = codeOf(n.Args[0])
		}
		if code != "" {
			f.pairs(n.Args, code)
		}
	case *ast.ReturnStmt:
		f.pairs(n.Results, "FAILED_PRECONDITION")
	case *ast.AssignStmt:
		if to, ok := n.Lhs[0].(*ast.Ident); ok && to.Name == "reason" && reasonText.MatchString(literal(n.Rhs[0])) {
			f.add(literal(n.Rhs[0]), "FAILED_PRECONDITION", "")
		}
	}
	return f
}

func (f found) pairs(list []ast.Expr, code string) {
	for i := 0; i+1 < len(list); i++ {
		if reason := literal(list[i]); reasonText.MatchString(reason) {
			f.add(reason, code, literal(list[i+1]))
		}
	}
}

// ofFilters collects what is said of filters, each at its place: one function refuses them all for one reason.
func (f found) ofFilters(n ast.Node) bool {
	if call, ok := n.(*ast.CallExpr); ok && called(call) == "refuse" && len(call.Args) > 1 {
		f.add("FILTER_INVALID", "INVALID_ARGUMENT", literal(call.Args[1]))
	}
	return true
}

// codeOf is the name on the wire of a category such as fault.NotFound.
func codeOf(e ast.Expr) string {
	name := ""
	switch e := e.(type) {
	case *ast.Ident:
		name = e.Name
	case *ast.SelectorExpr:
		name = e.Sel.Name
	}
	text := strings.ToUpper(regexp.MustCompile(`([a-z])([A-Z])`).ReplaceAllString(name, "${1}_$2"))
	for category := range httpStatus {
		if rpc.CodeName(category) == text {
			return text
		}
	}
	return ""
}

func inSource(t *testing.T) string {
	t.Helper()
	all := found{}
	for _, root := range []string{"../../../gateway", "../../../services"} {
		err := filepath.WalkDir(root, func(path string, _ fs.DirEntry, err error) error {
			if err != nil || !strings.HasSuffix(path, ".go") || strings.HasSuffix(path, "_test.go") {
				return err
			}
			file, err := parser.ParseFile(token.NewFileSet(), path, nil, parser.SkipObjectResolution)
			if err == nil {
				ast.Walk(all, file)
			}
			if err == nil && strings.HasSuffix(filepath.ToSlash(path), "platform/listing/filter.go") {
				ast.Inspect(file, all.ofFilters)
			}
			return err
		})
		if err != nil {
			t.Fatal(err)
		}
	}
	// The two that a reason is made of when an answer has none.
	all.add("SERVICE_UNREACHABLE", "UNAVAILABLE", "A part of the suite can't be reached.")
	all.add("UNKNOWN", "INTERNAL", "A part of the suite answered without a reason.")
	var text strings.Builder
	for _, reason := range slices.Sorted(maps.Keys(all)) {
		text.WriteString(reason + "\t" + strings.Join(all[reason], "\t") + "\n")
	}
	return text.String()
}

// With COLDSECTION_TEST_WRITE=1 the list is written anew from the source.
func TestEveryReasonOfTheSourceHasItsPage(t *testing.T) {
	want := inSource(t)
	if os.Getenv("COLDSECTION_TEST_WRITE") == "1" {
		if err := os.WriteFile("reasons.txt", []byte(want), 0o600); err != nil {
			t.Fatal(err)
		}
		return
	}
	if named(reasons) != named(want) {
		t.Errorf("reasons.txt is not what the source says: run this test with COLDSECTION_TEST_WRITE=1 and commit the file; got\n%s\nwant\n%s",
			named(reasons), named(want))
	}
	for line := range strings.Lines(want) {
		reason, rest, _ := strings.Cut(line, "\t")
		if !strings.Contains(rest, "\t") {
			t.Errorf("the page of %s has no sentence that says what is wrong and what to do", reason)
		}
		w := httptest.NewRecorder()
		Pages().ServeHTTP(w, httptest.NewRequestWithContext(t.Context(), http.MethodGet, "/problems/"+slug(reason), http.NoBody))
		body := w.Body.String()
		if w.Code != http.StatusOK || !strings.Contains(body, "<code>"+reason+"</code>") || strings.Contains(body, "status 0") ||
			strings.Contains(body, "<p></p>") {
			t.Errorf("%s: %d\n%s", reason, w.Code, body)
		}
	}
}

// named is a list without its sentences, whose wording may change before the list is written anew.
func named(list string) string {
	var out strings.Builder
	for line := range strings.Lines(list) {
		fields := strings.Split(strings.TrimSpace(line), "\t")
		out.WriteString(fields[0] + " " + fields[1] + "\n")
	}
	return out.String()
}
