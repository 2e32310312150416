// Package faulttest reads the refusals that a service's source words, so that a test can hold every one of them to what a refusal says: the thing, the
// rule and the next move.
package faulttest

import (
	"go/ast"
	"go/parser"
	"go/token"
	"io/fs"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"
)

// Sentence is a refusal as the source words it, with a verb of package fmt where a value comes.
type Sentence struct {
	Where  string // file and line
	Reason string
	Text   string
}

// Sentences are the refusals below a folder whose sentence is written out: calls of package fault, those of functions that take a reason and its sentence,
// by their names, and the pairs of reason and sentence that rules return.
func Sentences(t testing.TB, folder string, wrappers ...string) (found []Sentence) {
	t.Helper()
	err := filepath.WalkDir(folder, func(path string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() || !strings.HasSuffix(path, ".go") || strings.HasSuffix(path, "_test.go") {
			return err
		}
		files := token.NewFileSet()
		file, err := parser.ParseFile(files, path, nil, 0)
		if err != nil {
			return err
		}
		ast.Inspect(file, func(n ast.Node) bool {
			if reason, text := worded(n, wrappers); text != "" {
				found = append(found, Sentence{Where: files.Position(n.Pos()).String(), Reason: reason, Text: text})
			}
			return true
		})
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	return found
}

// Worded reports whether a sentence is wholly put in by another rule, where it is worded and read too.
func (s Sentence) Worded() bool {
	return strings.HasPrefix(s.Text, "%s") && strings.Count(s.Text, " ") == 0
}

// ends finds where a sentence ends and the next begins; what a rule worded ends with its own full stop. In a single sentence the move may
// follow after a colon.
var ends, colon = regexp.MustCompile(`(?:[.]|%s) [A-Z]`), regexp.MustCompile(`: [a-z]`)

// Move is the word with which the last sentence begins, "" when there is one sentence only.
func (s Sentence) Move() string {
	all := ends.FindAllStringIndex(s.Text, -1)
	if len(all) == 0 {
		all = colon.FindAllStringIndex(s.Text, -1)
	}
	if len(all) == 0 {
		return ""
	}
	word, _, _ := strings.Cut(s.Text[all[len(all)-1][1]-1:], " ")
	word = strings.Trim(word, ",.:;")
	return strings.ToUpper(word[:1]) + word[1:]
}

// reasonAt is which argument of a function of package fault is the reason; its sentence is the next one.
var reasonAt = map[string]int{"Precondition": 0, "Denied": 0, "Invalid": 1, "New": 1}

// worded is the reason and the sentence of a node that refuses.
func worded(n ast.Node, wrappers []string) (reason, text string) {
	switch n := n.(type) {
	case *ast.CallExpr:
		switch f := n.Fun.(type) {
		case *ast.SelectorExpr:
			p, ok := f.X.(*ast.Ident)
			if at, refuses := reasonAt[f.Sel.Name]; ok && refuses && p.Name == "fault" && len(n.Args) > at+1 {
				return literal(n.Args[at]), literal(n.Args[at+1])
			}
		case *ast.Ident:
			if slices.Contains(wrappers, f.Name) {
				return pair(n.Args)
			}
		}
	case *ast.ReturnStmt:
		if len(n.Results) != 2 {
			return "", ""
		}
		reason := literal(n.Results[0])
		if call, ok := n.Results[1].(*ast.CallExpr); ok && reason != "" && len(call.Args) > 0 {
			return reason, literal(call.Args[0])
		}
		if reason != "" && strings.ToUpper(reason) == reason {
			return reason, literal(n.Results[1])
		}
	}
	return "", ""
}

// pair is the first reason among arguments and the sentence after it.
func pair(args []ast.Expr) (reason, text string) {
	for i, a := range args[:max(len(args)-1, 0)] {
		if reason = literal(a); reason != "" {
			return reason, literal(args[i+1])
		}
	}
	return "", ""
}

// literal is a text that is written out, its parts joined; a part that is computed is left out.
func literal(e ast.Expr) string {
	switch e := e.(type) {
	case *ast.BasicLit:
		text, err := strconv.Unquote(e.Value)
		if err != nil || e.Kind != token.STRING {
			return ""
		}
		return text
	case *ast.BinaryExpr:
		return literal(e.X) + literal(e.Y)
	}
	return ""
}
