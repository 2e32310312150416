package scenarios

import (
	"net/http"
	"regexp"
	"slices"
	"strings"
	"testing"

	"google.golang.org/genproto/googleapis/api/annotations"
	"google.golang.org/protobuf/proto"

	"coldsection.example/integration/harness"
)

// Check API-06: every collection, and every one of what a parent has, gives the same resources in pages of any size, none twice, and the last page has
// no token.
// Check API-08: a token of one request is refused by another.
func collectionsHavePages(t *testing.T, in told) {
	readers := []*harness.Person{in.stage.SignIn(t, "quality"), in.stage.SignIn(t, "admin"), in.stage.SignIn(t, "stores")}
	defer withParents(t, in)()
	asked, longer, within := 0, 0, 0
	for _, path := range collections() {
		for _, path := range listsOf(t, readers, path) {
			asked++
			reader := allowed(t, readers, path)
			whole := walk(t, reader, path, "0")
			if len(whole) > 1 {
				longer++
				within += strings.Count(path, "/") / 4 // "/v1/lots/x/waterTests" is within a lot
			}
			pagesAgree(t, reader, path, whole)
		}
	}
	t.Logf("%d lists, %d with more than one resource, %d of these within another", asked, longer, within)
	if asked < 60 || longer < 25 || within < 9 {
		t.Errorf("only %d lists, %d with more than one resource, %d of these within another", asked, longer, within)
	}
}

// withParents makes the parents that the story has none of, and takes back what would go on working.
func withParents(t *testing.T, in told) (back func()) {
	t.Helper()
	must(t, in.stage.SignIn(t, "planner").REST("POST", "/v1/components?componentId=pages-pump", `{"partNumber":"DEMO-PUMP","serial":"1","displayName":"fuel pump, demonstration only"}`))
	admin := in.stage.SignIn(t, "admin")
	must(t, admin.REST("POST", "/v1/webhookEndpoints?webhookEndpointId=pages", `{"displayName":"demonstration only","url":"https://erp.invalid","types":["coldsection.access.webhook.*"]}`))
	for range 2 { // nobody has that name, so each attempt is kept as one that failed
		must(t, admin.REST("POST", "/v1/webhookEndpoints/pages:test", "{}"))
	}
	return func() { must(t, admin.REST("DELETE", "/v1/webhookEndpoints/pages", nil)) }
}

// pagesAgree walks a list in pages of several sizes, and asks what no list takes.
func pagesAgree(t *testing.T, reader *harness.Person, path string, whole []string) {
	t.Helper()
	for _, size := range []string{"1", "7", "1000", "1000000"} {
		if got := walk(t, reader, path, size); !slices.Equal(got, whole) {
			t.Errorf("%s in pages of %s: %v, want %v", path, size, got, whole)
		}
	}
	if a := reader.REST("GET", with(path, "pageSize=-1"), nil); a.Status != http.StatusBadRequest || text(a.Body, "code") != "INVALID_ARGUMENT" {
		t.Errorf("%s with a negative page size: %d %v", path, a.Status, a.Body)
	}
	if len(whole) < 2 {
		return
	}
	token := text(must(t, reader.REST("GET", with(path, "pageSize=1"), nil)), "nextPageToken")
	if a := reader.REST("GET", with(path, "pageSize=1&orderBy=create_time&pageToken="+escaped(token)), nil); a.Status != http.StatusBadRequest {
		t.Errorf("%s with the token of another request: %d %v", path, a.Status, a.Body)
	}
	if a := reader.REST("GET", with(path, "pageSize=1&pageToken="+escaped(token+"x")), nil); a.Status != http.StatusBadRequest || text(a.Body, "code") != "INVALID_ARGUMENT" {
		t.Errorf("%s with a token that nobody was given: %d %v", path, a.Status, a.Body)
	}
}

// collections are the paths of methods that list resources, such as /v1/{parent=lots/*}/waterTests.
func collections() []string {
	var paths []string
	for _, m := range methods() {
		rule, _ := proto.GetExtension(m.Options(), annotations.E_Http).(*annotations.HttpRule)
		if strings.HasPrefix(string(m.Name()), "List") && m.Input().Fields().ByName("page_token") != nil {
			paths = append(paths, rule.GetGet())
		}
	}
	slices.Sort(paths)
	return paths
}

var parentOf = regexp.MustCompile(`\{parent=([a-zA-Z]+)/\*\}`)

// mostParents is how many parents with more than one child are asked for their lists, beside one that has none.
const mostParents = 2

// listsOf are the paths to ask for a collection: itself, or that of some parents. The list of calls grows with every one, so it is asked as of now.
func listsOf(t *testing.T, readers []*harness.Person, path string) (lists []string) {
	t.Helper()
	if path == "/v1/auditEvents" {
		newest := elements(must(t, allowed(t, readers, path).REST("GET", path+"?pageSize=1", nil)), "auditEvents")
		event, _ := newest[0].(map[string]any)
		return []string{path + "?filter=" + escaped(`account = "accounts/planner" AND create_time < "`+text(event, "createTime")+`"`)}
	}
	found := parentOf.FindStringSubmatch(path)
	if found == nil {
		return []string{path}
	}
	parents := "/v1/" + found[1]
	full, empty := 0, 0
	for _, name := range namesIn(t, allowed(t, readers, parents), parents) {
		list := strings.Replace(path, found[0], name, 1)
		if many := len(walk(t, allowed(t, readers, list), list, "2")) > 1; many && full < mostParents {
			full++
			lists = append(lists, list)
		} else if !many && empty == 0 {
			empty++
			lists = append(lists, list)
		}
		if full == mostParents {
			break
		}
	}
	if len(lists) == 0 {
		t.Errorf("%s has no parent to ask", path)
	}
	return lists
}

// allowed is the first of some people who may read a list.
func allowed(t *testing.T, readers []*harness.Person, path string) *harness.Person {
	t.Helper()
	for _, reader := range readers {
		if reader.REST("GET", with(path, "pageSize=1"), nil).Status == http.StatusOK {
			return reader
		}
	}
	t.Fatalf("nobody may read %s", path)
	return nil
}

// with adds to the query of a path.
func with(path, query string) string {
	if strings.Contains(path, "?") {
		return path + "&" + query
	}
	return path + "?" + query
}

// walk reads a collection page by page and returns the resources.
func walk(t *testing.T, who *harness.Person, path, size string) []string {
	t.Helper()
	var resources []string
	for token, pages := "", 0; ; pages++ {
		page := must(t, who.REST("GET", with(path, "pageSize="+size+"&pageToken="+escaped(token)), nil))
		for member, list := range page {
			for _, r := range elements(page, member) {
				if resource, ok := r.(map[string]any); ok && list != nil {
					resources = append(resources, jsonText(t, resource)) // some have no name
				}
			}
		}
		if token = text(page, "nextPageToken"); token == "" {
			break
		}
		if pages > 10_000 {
			t.Fatalf("%s in pages of %s has no last page", path, size)
		}
	}
	if sorted := slices.Compact(slices.Sorted(slices.Values(resources))); len(sorted) != len(resources) {
		t.Errorf("%s in pages of %s gives resources twice: %v", path, size, resources)
	}
	return resources
}

// namesIn are the names of a collection's resources.
func namesIn(t *testing.T, who *harness.Person, path string) (names []string) {
	t.Helper()
	page := must(t, who.REST("GET", with(path, "pageSize=1000"), nil))
	for member := range page {
		for _, r := range elements(page, member) {
			if resource, ok := r.(map[string]any); ok {
				names = append(names, text(resource, "name"))
			}
		}
	}
	return names
}
