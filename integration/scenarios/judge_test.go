package scenarios

import (
	"bytes"
	"encoding/json"
	"io"
	"net/http"
	"regexp"
	"slices"
	"strings"
	"sync"
	"testing"

	"github.com/pb33f/libopenapi"
	validator "github.com/pb33f/libopenapi-validator"
	verrors "github.com/pb33f/libopenapi-validator/errors"
	"github.com/pb33f/libopenapi-validator/responses"
	v3 "github.com/pb33f/libopenapi/datamodel/high/v3"

	"coldsection.example/integration/harness"
)

// judge compares exchanges with the description of the API, with a validator that others wrote. Which operation is meant is
// found out here, because the validator takes the verb of "{lot}:issue" for a part of the id.
type judge struct {
	t          *testing.T
	request    validator.Validator
	response   responses.ResponseBodyValidator
	operations map[string]place
	paths      []place

	mu                  sync.Mutex
	exchanges, refusals int
	called, reasons     map[string]bool
	said                map[string]bool
}

// place is where an operation stands in the description.
type place struct {
	id, verb, path string
	item           *v3.PathItem
	is             *regexp.Regexp // the paths of requests that mean it
}

// pathPart is a variable of a path.
var pathPart = regexp.MustCompile(`\\\{[^}]*\\\}`)

// describedBy reads the description that a stage serves.
func describedBy(t *testing.T, stage *harness.Stage) *judge {
	t.Helper()
	doc, err := libopenapi.NewDocument([]byte(fetch(t, stage.URL("/openapi.json"))))
	if err != nil {
		t.Fatal(err)
	}
	v, errs := validator.NewValidator(doc)
	if len(errs) > 0 {
		t.Fatal(errs)
	}
	model, err := doc.BuildV3Model()
	if err != nil {
		t.Fatal(err)
	}
	j := &judge{
		t: t, request: v, response: responses.NewResponseBodyValidator(&model.Model), operations: map[string]place{},
		called: map[string]bool{}, reasons: map[string]bool{}, said: map[string]bool{},
	}
	for path, item := range model.Model.Paths.PathItems.FromOldest() {
		for verb, o := range item.GetOperations().FromOldest() {
			is := regexp.MustCompile("^" + pathPart.ReplaceAllString(regexp.QuoteMeta(path), "[^/:]+") + "$")
			at := place{o.OperationId, strings.ToUpper(verb), path, item, is}
			j.operations[o.OperationId] = at
			j.paths = append(j.paths, at)
		}
	}
	return j
}

// find says where the operation of an exchange stands, by its id or by the request's path.
func (j *judge) find(x harness.Exchange) (place, bool) {
	if x.Operation != "" {
		at, described := j.operations[x.Operation]
		return at, described
	}
	i := slices.IndexFunc(j.paths, func(p place) bool { return p.verb == x.Request.Method && p.is.MatchString(x.Request.URL.EscapedPath()) })
	if i < 0 {
		return place{}, false
	}
	return j.paths[i], true
}

// hear compares one exchange; what is wrong in the same way again is said once.
func (j *judge) hear(x harness.Exchange) {
	j.mu.Lock()
	defer j.mu.Unlock()
	at, described := j.find(x)
	if !described {
		if x.Response.StatusCode != http.StatusNotFound {
			j.t.Errorf("%s %s %s is not described", x.Operation, x.Request.Method, x.Request.URL)
		}
		return
	}
	j.exchanges++
	j.called[at.id] = true
	if x.Response.StatusCode >= http.StatusBadRequest {
		j.refusals++
		var problem struct {
			Reason string `json:"reason"`
		}
		if err := json.Unmarshal(x.ResponseBody, &problem); err == nil {
			j.reasons[problem.Reason] = true
		}
	}
	for _, text := range j.wrong(at, x) {
		if !j.said[text] {
			j.said[text] = true
			j.t.Error(text)
		}
	}
}

// refusedUnread are the statuses of refusals of requests that need not be as the description says: they are wrong, or nobody read them.
var refusedUnread = []int{
	http.StatusBadRequest, http.StatusUnauthorized, http.StatusForbidden, http.StatusMethodNotAllowed, http.StatusUnsupportedMediaType,
	http.StatusTooManyRequests,
}

// wrong says what is wrong with an exchange: the answer, whatever it is, and the request unless that is why it was refused.
func (j *judge) wrong(at place, x harness.Exchange) (complaints []string) {
	if err := wellSpelled(x.ResponseBody); err != nil && x.Response.StatusCode < http.StatusBadRequest { // refusals repeat what was wrongly asked
		complaints = append(complaints, at.id+": "+err.Error())
	}
	request := x.Request.Clone(j.t.Context())
	request.Body = io.NopCloser(bytes.NewReader(x.RequestBody))
	response := *x.Response
	response.Body = io.NopCloser(bytes.NewReader(x.ResponseBody))
	_, found := j.response.ValidateResponseBodyWithPathItem(request, &response, at.item, at.path)
	if !slices.Contains(refusedUnread, x.Response.StatusCode) {
		request.Body = io.NopCloser(bytes.NewReader(x.RequestBody))
		_, more := j.request.ValidateHttpRequestSyncWithPathItem(request, at.item, at.path)
		found = append(found, more...)
	}
	for _, e := range found {
		complaints = append(complaints, complaint(at, x, e))
	}
	return complaints
}

// complaint is what is wrong with an exchange.
func complaint(at place, x harness.Exchange, e *verrors.ValidationError) string {
	var text strings.Builder
	text.WriteString(at.id + ", " + x.Response.Status + ": " + e.Message)
	for _, s := range e.SchemaValidationErrors {
		text.WriteString("; " + s.FieldPath + " " + s.Reason)
	}
	if len(e.SchemaValidationErrors) == 0 {
		text.WriteString(": " + e.Reason + " " + x.Request.URL.String())
	}
	return text.String()
}

// A refusal that is no whole problem, an answer of another type, and a request with a wrong member are seen.
func judgeSeesWhatIsWrong(t *testing.T, in told, j *judge) {
	t.Helper()
	for name, c := range map[string]struct {
		verb, path, request, kind, answer string
		status                            int
	}{
		"a problem without a reason": {"GET", "/v1/lots/none", "", "application/problem+json", `{"type":"/problems/x","title":"X","status":404,"detail":"X.","code":"NOT_FOUND"}`, 404},
		"a refusal that is no problem": {
			"GET", "/v1/lots/none", "", "application/json", `{"type":"/problems/x","title":"X","status":404,"detail":"X.","code":"NOT_FOUND","reason":"X"}`, 404,
		},
		"a list that is a text":   {"GET", "/v1/lots", "", "application/json", `{"lots":"none"}`, 200},
		"an amount that is a sum": {"POST", "/v1/lots/a:issue", `{"workOrder":"workOrders/x","quantity":3}`, "application/json", `{"name":"stockMovements/a"}`, 200},
	} {
		request, err := http.NewRequestWithContext(t.Context(), c.verb, in.stage.URL(c.path), strings.NewReader(c.request))
		if err != nil {
			t.Fatal(err)
		}
		request.Header.Set("Content-Type", "application/json")
		request.Header.Set("Authorization", "Bearer css_demonstration")
		x := harness.Exchange{
			Request: request, RequestBody: []byte(c.request), ResponseBody: []byte(c.answer),
			Response: &http.Response{StatusCode: c.status, Status: http.StatusText(c.status), Header: http.Header{"Content-Type": {c.kind}}},
		}
		at, described := j.find(x)
		if !described || len(j.wrong(at, x)) == 0 {
			t.Errorf("%s passes", name)
		}
	}
}
