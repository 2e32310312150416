package repository

import (
	"go/ast"
	"go/token"
	"strings"
	"testing"
)

func TestEveryPackageHasOneComment(t *testing.T) {
	comments := map[string][]string{}
	for _, s := range goFiles(t) {
		if strings.HasSuffix(s.path, "_test.go") || s.generated {
			continue
		}
		list := comments[s.dir]
		if s.file.Doc != nil {
			list = append(list, s.path)
			checkPackageComment(t, s)
		}
		comments[s.dir] = list
	}
	for dir, files := range comments {
		if len(files) != 1 {
			t.Errorf("%s has %d package comments %v; give it one, in doc.go or beside its main type", dir, len(files), files)
		}
	}
}

func checkPackageComment(t *testing.T, s source) {
	t.Helper()
	opening := "Package " + s.file.Name.Name + " "
	if s.file.Name.Name == "main" {
		opening = "Command "
	}
	if text := s.file.Doc.Text(); !strings.HasPrefix(text, opening) {
		t.Errorf("%s: the package comment starts with %.40q; start with %q", s.path, text, opening)
	}
}

// documentedShare is the least share of exported functions, methods and types that say what they are.
const documentedShare = 0.9

func TestExportedNamesAreDocumented(t *testing.T) {
	total, documented := 0, 0
	var missing []string
	for _, s := range goFiles(t) {
		if s.test || s.generated {
			continue
		}
		for _, e := range exported(s.file) {
			total++
			if e.documented {
				documented++
			} else {
				missing = append(missing, s.line(e.name).String()+" "+e.name.Name)
			}
		}
	}
	t.Logf("%d of %d exported names are documented", documented, total)
	if total == 0 || float64(documented) < documentedShare*float64(total) {
		t.Errorf("less than %.0f %%; missing:\n%s", 100*documentedShare, strings.Join(missing, "\n"))
	}
}

type exportedName struct {
	name       *ast.Ident
	documented bool
}

// exported lists the exported functions, methods of exported types, and types of a file.
func exported(file *ast.File) []exportedName {
	var list []exportedName
	for _, decl := range file.Decls {
		switch d := decl.(type) {
		case *ast.FuncDecl:
			if d.Name.IsExported() && receiverExported(d) {
				list = append(list, exportedName{d.Name, d.Doc != nil})
			}
		case *ast.GenDecl:
			for _, spec := range d.Specs {
				if ts, ok := spec.(*ast.TypeSpec); ok && ts.Name.IsExported() && d.Tok == token.TYPE {
					list = append(list, exportedName{ts.Name, ts.Doc != nil || d.Doc != nil})
				}
			}
		}
	}
	return list
}

func receiverExported(d *ast.FuncDecl) bool {
	if d.Recv == nil {
		return true
	}
	typ := d.Recv.List[0].Type
	for {
		switch x := typ.(type) {
		case *ast.StarExpr:
			typ = x.X
		case *ast.IndexExpr:
			typ = x.X
		case *ast.IndexListExpr:
			typ = x.X
		case *ast.Ident:
			return x.IsExported()
		default:
			return false
		}
	}
}
