package rest

import (
	"net/http"
	"net/url"
	"testing"

	"coldsection.example/gateway/internal/retirement/retirementtest"
)

// An answer says that its method goes, or a field that the request brought, in the query or anywhere in the body; and nothing otherwise.
func TestAnswersSayWhatGoes(t *testing.T) {
	going := retirementtest.Going()
	const since = "@1688083200"
	for name, c := range map[string]struct {
		route, query, body string
		method             bool
		want               string
	}{
		"a method that goes":             {route: "GET /v1/washes", method: true, want: since},
		"a method that stays":            {route: "POST /v1/rinses", body: `{"engine":"a"}`},
		"a field in the query":           {route: "GET /v1/washes", query: "litres=1", want: since},
		"a field inside, in the query":   {route: "GET /v1/washes", query: "inner.litres=1", want: since},
		"other fields in the query":      {route: "GET /v1/washes", query: "engine=1&inner.engine=2&colour=3"},
		"a field in the body":            {route: "POST /v1/rinses", body: `{"litres":"1"}`, want: since},
		"a field inside, in the body":    {route: "POST /v1/rinses", body: `{"inner":{"inner":{"litres":"1"}}}`, want: since},
		"a value that looks like it":     {route: "POST /v1/rinses", body: `{"engine":"litres","colour":{"litres":1}}`},
		"a body that is none":            {route: "POST /v1/rinses", body: `{"litres":`},
		"a body that is of another kind": {route: "POST /v1/rinses", body: `3`},
	} {
		routes := map[string]route{}
		service := retirementtest.Service(t, nil, going)
		if c.method {
			service = retirementtest.Service(t, going, nil)
		}
		for i := range service.Methods().Len() {
			addRoutes(routes, service.Methods().Get(i))
		}
		query, err := url.ParseQuery(c.query)
		if err != nil {
			t.Fatal(err)
		}
		h := http.Header{}
		routes[c.route].tell(h, query, []byte(c.body))
		if got := h.Get("Deprecation"); got != c.want || (h.Get("Sunset") != "") != (c.want != "") {
			t.Errorf("%s: %v, want Deprecation %q", name, h, c.want)
		}
	}
}
