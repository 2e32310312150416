package repository

import (
	"go/ast"
	"go/parser"
	"go/token"
	"strconv"
	"testing"
)

// wallClock are the functions of package time that read the time of day or wait for it.
var wallClock = map[string]bool{
	"Now": true, "Since": true, "Until": true, "After": true, "AfterFunc": true, "Sleep": true, "Tick": true,
	"NewTimer": true, "NewTicker": true,
}

func TestOnlyTheClockReadsTheTime(t *testing.T) {
	for _, s := range goFiles(t) {
		if s.dir == "services/platform/clock" || s.generated {
			continue
		}
		for _, use := range timeUses(s.file) {
			t.Errorf("%v: time.%s; take a clock.Clock and ask that", s.line(use), use.Sel.Name)
		}
	}
}

// timeUses finds the uses of wallClock functions under whatever name the file imports package time.
func timeUses(file *ast.File) []*ast.SelectorExpr {
	names := map[string]bool{}
	for _, spec := range file.Imports {
		if imported, _ := strconv.Unquote(spec.Path.Value); imported == "time" {
			name := "time"
			if spec.Name != nil {
				name = spec.Name.Name
			}
			names[name] = true
		}
	}
	var uses []*ast.SelectorExpr
	ast.Inspect(file, func(n ast.Node) bool {
		if sel, ok := n.(*ast.SelectorExpr); ok && wallClock[sel.Sel.Name] {
			if x, ok := sel.X.(*ast.Ident); ok && names[x.Name] {
				uses = append(uses, sel)
			}
		}
		return true
	})
	return uses
}

func TestTimeUsesAreFound(t *testing.T) {
	for text, want := range map[string]int{
		`package p; import "time"; var x = time.Now()`:                                     1,
		`package p; import clk "time"; func f() { clk.Sleep(1); <-clk.After(2) }`:          2,
		`package p; import "time"; var now = time.Now`:                                     1,
		`package p; import "time"; var x = time.Unix(0, 0).After(time.Unix(1, 0))`:         0,
		`package p; import time "example.org/time"; var x = time.Now()`:                    0,
		`package p; type clock struct{}; func (clock) Now() int { return 0 }; var c clock`: 0,
	} {
		file, err := parser.ParseFile(token.NewFileSet(), "p.go", text, parser.SkipObjectResolution)
		if err != nil {
			t.Fatal(err)
		}
		if got := len(timeUses(file)); got != want {
			t.Errorf("%s: found %d uses, want %d", text, got, want)
		}
	}
}
