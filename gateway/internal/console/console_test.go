package console_test

import (
	"io/fs"
	"net/http"
	"net/http/httptest"
	"os"
	"regexp"
	"slices"
	"strings"
	"testing"

	"coldsection.example/gateway/internal/console"
)

// names are the console's files, as a browser asks for them.
func names(t *testing.T) (list []string) {
	t.Helper()
	err := fs.WalkDir(os.DirFS("static"), ".", func(path string, d fs.DirEntry, err error) error {
		if err == nil && !d.IsDir() {
			list = append(list, "/"+strings.Replace(path, "index.html", "", 1))
		}
		return err
	})
	if err != nil || len(list) < 10 {
		t.Fatalf("%v, %v", list, err)
	}
	slices.Sort(list)
	return list
}

func file(t *testing.T, path string) string {
	t.Helper()
	w := httptest.NewRecorder()
	console.Handler(http.NotFoundHandler()).ServeHTTP(w, httptest.NewRequestWithContext(t.Context(), http.MethodGet, path, http.NoBody))
	if w.Code != http.StatusOK {
		t.Fatalf("%s: %d", path, w.Code)
	}
	return w.Body.String()
}

// What a start without a connection needs is every file but the one that keeps them, and nothing that is not there.
func TestEveryFileIsKeptForAStartWithoutAConnection(t *testing.T) {
	list := regexp.MustCompile(`(?s)const files = \[(.*?)\]`).FindStringSubmatch(file(t, "/sw.js"))
	var kept []string
	for _, m := range regexp.MustCompile(`"(/[^"]*)"`).FindAllStringSubmatch(list[1], -1) {
		kept = append(kept, m[1])
	}
	want := slices.DeleteFunc(names(t), func(name string) bool { return name == "/sw.js" })
	slices.Sort(kept)
	if !slices.Equal(kept, want) {
		t.Errorf("sw.js keeps %v,\nthe console has %v", kept, want)
	}
}

// Every module that one imports is there, and every name that it takes is given.
func TestModulesGiveWhatOthersTake(t *testing.T) {
	taken := regexp.MustCompile(`(?m)^import \{ ([^}]+) \} from "(/[^"]+)";$`)
	for _, name := range names(t) {
		if !strings.HasSuffix(name, ".js") {
			continue
		}
		text := file(t, name)
		all := taken.FindAllStringSubmatch(text, -1)
		if lines := regexp.MustCompile(`(?m)^import\b`).FindAllString(text, -1); len(lines) != len(all) {
			t.Errorf("%s imports in a way that this test does not read", name)
		}
		for _, m := range all {
			from := file(t, m[2])
			for what := range strings.SplitSeq(m[1], ", ") {
				if !regexp.MustCompile(`(?m)^export (async )?(function|const|class|let) ` + regexp.QuoteMeta(what) + `\b`).MatchString(from) {
					t.Errorf("%s takes %s of %s, which does not give it", name, what, m[2])
				}
				if used := regexp.MustCompile(`\b`+regexp.QuoteMeta(what)+`\b`).FindAllString(text, -1); len(used) < 2 {
					t.Errorf("%s takes %s and does not use it", name, what)
				}
			}
		}
	}
}
