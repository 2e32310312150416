package repository

import (
	"go/ast"
	"go/parser"
	"go/token"
	"io/fs"
	"os"
	"path"
	"path/filepath"
	"strings"
	"sync"
	"testing"
)

// root is the repository's folder seen from this package.
const root = "../.."

// modulePath is the module's import path with a slash.
const modulePath = "coldsection.example/"

// source is one parsed Go file of the module.
type source struct {
	path      string // from the root, with slashes
	dir       string
	lines     int
	test      bool // a test, or in a package that only helps tests
	generated bool
	file      *ast.File
	fset      *token.FileSet
}

// line says where a node is, for messages.
func (s source) line(n ast.Node) token.Position { return s.fset.Position(n.Pos()) }

// skipped are folders that hold no source of the project.
var skipped = map[string]bool{".git": true, ".bin": true, ".build": true, "testdata": true, "node_modules": true}

// walk calls fn for every file of the repository.
func walk(t *testing.T, fn func(name string, d fs.DirEntry)) {
	t.Helper()
	err := fs.WalkDir(os.DirFS(root), ".", func(name string, d fs.DirEntry, err error) error {
		switch {
		case err != nil:
			return err
		case d.IsDir() && skipped[d.Name()]:
			return fs.SkipDir
		case d.Name() == ".git": // a worktree has a file that says where the repository is
		case d.Type().IsRegular():
			fn(name, d)
		}
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
}

// goFiles parses every Go file of the module; build tools under .ci are modules of their own and left out.
func goFiles(t *testing.T) []source {
	t.Helper()
	parseOnce.Do(func() {
		walk(t, func(name string, _ fs.DirEntry) {
			if path.Ext(name) == ".go" && !strings.HasPrefix(name, ".ci/") {
				parsed = append(parsed, parse(t, name))
			}
		})
	})
	if len(parsed) < 20 {
		t.Fatalf("found %d Go files; the tree is elsewhere", len(parsed))
	}
	return parsed
}

var (
	parseOnce sync.Once
	parsed    []source
)

func parse(t *testing.T, name string) source {
	t.Helper()
	text, err := os.ReadFile(filepath.Join(root, filepath.FromSlash(name)))
	if err != nil {
		t.Fatal(err)
	}
	s := source{path: name, dir: path.Dir(name), lines: strings.Count(string(text), "\n"), fset: token.NewFileSet()}
	s.file, err = parser.ParseFile(s.fset, name, text, parser.ParseComments|parser.SkipObjectResolution)
	if err != nil {
		t.Fatal(err)
	}
	s.test = strings.HasSuffix(name, "_test.go") || strings.HasSuffix(s.dir, "test") || strings.HasPrefix(name, "integration/")
	s.generated = ast.IsGenerated(s.file)
	return s
}
