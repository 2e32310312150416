package rest

import (
	"context"
	"encoding/json"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"

	"google.golang.org/grpc"

	"coldsection.example/services/platform/auth"
)

// nowhere is a connection to no server: what reaches it is not refused by the mapping.
type nowhere struct{ grpc.ClientConnInterface }

// Invoke answers nothing.
func (nowhere) Invoke(context.Context, string, any, any, ...grpc.CallOption) error { return nil }

func refusal(t *testing.T, method, path, body string) (int, Problem) {
	t.Helper()
	nobody := func(context.Context, string) (auth.Identity, string, error) { return auth.Identity{}, "", nil }
	handler, err := Handler(t.Context(), nowhere{}, nobody, func(_ *http.Request, err error) error { return err })
	if err != nil {
		t.Fatal(err)
	}
	r := httptest.NewRequestWithContext(t.Context(), method, path, strings.NewReader(body))
	r.Header.Set("Content-Type", "application/json")
	w := httptest.NewRecorder()
	handler.ServeHTTP(w, r)
	var p Problem
	_ = json.Unmarshal(w.Body.Bytes(), &p)
	return w.Code, p
}

// What can't be read is refused in our own words: they name the field and where it stands, the rule and the next move, and no word of the
// library that read it.
func TestWhatCantBeReadIsSaidInOurWords(t *testing.T) {
	for _, c := range []struct{ method, path, body, reason, field, says string }{
		{"POST", "/v1/items", `{"colour":"red"}`, "UNKNOWN_FIELD", "colour", `The body has a field "colour" at line 1, character 2 that this request does not know there. Leave it out`},
		{"POST", "/v1/items", `{"item":{"displayName":"red"}}`, "UNKNOWN_FIELD", "item", `does not know there. It stands elsewhere in the request. Leave it out`},
		{"POST", "/v1/items", `{"displayNam":"red"}`, "UNKNOWN_FIELD", "displayNam", `Did you mean displayName?`},
		{"POST", "/v1/items", "{\n \"reorderPoint\":{\"unit\":\"L\"}}", "UNKNOWN_FIELD", "unit", `"unit" at line 2, character 18 that`},
		{
			"POST", "/v1/items", `{"packSizes":[{"value":"1"}]}`, "UNKNOWN_FIELD", "value",
			`"value" at line 1, character 16 that this request does not know there. It stands elsewhere in the request. Leave it out`,
		},
		{"GET", "/v1/items?pageSize=1&page_size=2", "", "REQUEST_UNREADABLE", "page_size", `The query has "page_size" twice, in two spellings of it. Leave one of them out.`},
		{"GET", "/v1/items?pageSize=1&pageSize=2", "", "REQUEST_UNREADABLE", "page_size", `The query has "page_size" more than once, and it takes one value. Leave the others out.`},
		{"GET", "/v1/items", `{"pageSize":1}`, "UNKNOWN_FIELD", "", `The request has a body, and this method reads none here. Give its fields as query parameters; /reference lists them.`},
		{"POST", "/v1/items", `{"kind":"BRUSH"}`, "REQUEST_UNREADABLE", "kind", `kind at line 1, character 9 can't be "BRUSH". Give one of CLEANER, `},
		{"POST", "/v1/items", `{"displayName":7}`, "REQUEST_UNREADABLE", "displayName", `displayName at line 1, character 16 can't be "7". It takes text in quotes.`},
		{"POST", "/v1/items", `{"displayName":"a","displayName":"b"}`, "REQUEST_UNREADABLE", "displayName", `The body has "displayName" twice, the second time at line 1, character 20. Leave one`},
		{"POST", "/v1/items", `{"displayName":"a","display_name":"b"}`, "REQUEST_UNREADABLE", "display_name", `Leave one of them out.`},
		{"POST", "/v1/items", `{`, "REQUEST_UNREADABLE", "", `The body is no JSON object of this request: reading stops`},
		{"POST", "/v1/items", `[]`, "REQUEST_UNREADABLE", "", `reading stops at line 1, character 1. Correct it there; /reference shows an example`},
		{"POST", "/v1/lots/a:issue", `{"needTime":"noon"}`, "", "", ``},
		{"GET", "/v1/items?pageSize=many", "", "REQUEST_UNREADABLE", "page_size", `page_size can't be "many". It takes a whole number within its range.`},
		{"GET", "/v1/items?pageSize=99999999999", "", "REQUEST_UNREADABLE", "page_size", `can't be "99999999999". It takes a whole number within its range.`},
		{"GET", "/v1/lots:lookUp?code=a&needTime=noon", "", "REQUEST_UNREADABLE", "need_time", `need_time can't be "noon". It takes a time with its zone, such as "2026-03-01T08:00:00Z".`},
		{"GET", "/v1/items:lookup", "", "PATH_UNKNOWN", "", `There is no path "/v1/items:lookup". Did you mean :lookUp? Correct it; /reference and /openapi.json list every path.`},
		{"GET", "/v1/items:xyz", "", "PATH_UNKNOWN", "", `There is no path "/v1/items:xyz". /v1/items is there, with other parts or verbs behind it. ` +
			"Correct it; /reference and /openapi.json list every path."},
		{"GET", "/v1/items/a/b", "", "PATH_UNKNOWN", "", `There is no path "/v1/items/a/b". /v1/items is there, with other parts or verbs behind it. ` +
			"Correct it; /reference and /openapi.json list every path."},
		{"GET", "/v1/engine", "", "PATH_UNKNOWN", "", `There is no path "/v1/engine". Did you mean /v1/engines? Correct it; /reference and /openapi.json list every path.`},
		{"GET", "/v1/items/a/b/c", "", "PATH_UNKNOWN", "", `/v1/items is there, with other parts or verbs behind it.`},
		{"GET", "/v9/engines", "", "PATH_UNKNOWN", "", `There is no path "/v9/engines". Did you mean /v1/engines?`},
		{"GET", "/nowhere/near/it", "", "PATH_UNKNOWN", "", `There is no path "/nowhere/near/it". Correct it;`},
	} {
		_, p := refusal(t, c.method, c.path, c.body)
		if c.reason == "" {
			c.reason = p.Reason // only the words are looked at
		}
		field := ""
		if len(p.Violations) > 0 {
			field = p.Violations[0].Field
		}
		if p.Reason != c.reason || c.field != "" && field != c.field || !strings.Contains(p.Detail, c.says) {
			t.Errorf("%s %s %s: %+v\nshould say: %s", c.method, c.path, c.body, p, c.says)
		}
		for _, foreign := range []string{"proto:", "strconv", "(line", "syntax error", "unexpected"} {
			if strings.Contains(p.Detail, foreign) {
				t.Errorf("%s %s: %q has words of a library", c.path, c.body, p.Detail)
			}
		}
	}
}
