package scenarios

import (
	"bytes"
	"io"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/pb33f/libopenapi"
	validator "github.com/pb33f/libopenapi-validator"
	verrors "github.com/pb33f/libopenapi-validator/errors"
	"github.com/pb33f/libopenapi-validator/responses"
	v3 "github.com/pb33f/libopenapi/datamodel/high/v3"

	"coldsection.example/integration/harness"
	"coldsection.example/services/suite/story"
)

// told is a suite in which the story was played over REST, shared by the checks of the public contract.
type told struct {
	stage *harness.Stage
	out   story.Outcome
	rest  *harness.RESTConn // its exchanges are compared with the description
}

// contract are the checks of the public contract, by what they show. They run one after the other on one suite.
var contract = []struct {
	name  string
	check func(t *testing.T, in told)
}{
	{"a fact's type is registered", factsAreRegistered}, {"stock moves", stockMoves}, {"collections have pages", collectionsHavePages}, {"filters are read", filtersAreRead},
	{"every list is filtered", everyListIsFiltered}, {"versions are named", versionsAreNamed}, {"masks change what they name", masksChangeWhatTheyName},
	{"refusals are problems", refusalsAreProblems}, {"refusals tell nothing", refusalsTellNothing},
	{"validate_only changes nothing", validateOnlyChangesNothing}, {"one key, many at once", oneKeyManyAtOnce},
}

// The story is played over REST alone; every request and answer is what the served description says (check API-17). Then
// the suite that it left behind is asked whether it keeps the contract's other promises.
func TestTheContractAfterAStoryOverREST(t *testing.T) {
	stage := harness.OneProcess(t)
	judge := describedBy(t, stage)
	out, err := story.New(story.Options{
		Conn: stage.RESTConn(t, judge.hear), FirstAdminToken: stage.Token(), Patience: time.Minute, SetClock: stage.SetClock,
	}, teller{t}).Run(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	in := told{stage: stage, out: out, rest: stage.RESTConn(t, judge.hear)}
	for _, c := range contract {
		t.Run(c.name, func(t *testing.T) { c.check(t, in) })
	}
	if judge.exchanges < 150 {
		t.Errorf("only %d exchanges were compared with the description", judge.exchanges)
	}
}

// judge compares exchanges with the description of the API, with a validator that others wrote. Which operation is meant is
// known, because the validator takes the verb of "{lot}:issue" for a part of the id.
type judge struct {
	t          *testing.T
	request    validator.Validator
	response   responses.ResponseBodyValidator
	operations map[string]place

	mu        sync.Mutex
	exchanges int
	said      map[string]bool
}

// place is where an operation stands in the description.
type place struct {
	path string
	item *v3.PathItem
}

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
	j := &judge{t: t, request: v, response: responses.NewResponseBodyValidator(&model.Model), operations: map[string]place{}, said: map[string]bool{}}
	for path, item := range model.Model.Paths.PathItems.FromOldest() {
		for _, o := range item.GetOperations().FromOldest() {
			j.operations[o.OperationId] = place{path, item}
		}
	}
	return j
}

// hear compares one exchange; what is wrong in the same way again is said once.
func (j *judge) hear(x harness.Exchange) {
	j.mu.Lock()
	defer j.mu.Unlock()
	j.exchanges++
	at, described := j.operations[x.Operation]
	if !described {
		j.t.Errorf("%s is not described", x.Operation)
		return
	}
	if err := wellSpelled(x.ResponseBody); err != nil {
		j.t.Errorf("%s: %v", x.Operation, err)
	}
	request := x.Request.Clone(j.t.Context())
	request.Body = io.NopCloser(bytes.NewReader(x.RequestBody))
	_, wrong := j.request.ValidateHttpRequestSyncWithPathItem(request, at.item, at.path)
	response := *x.Response
	response.Body = io.NopCloser(bytes.NewReader(x.ResponseBody))
	_, more := j.response.ValidateResponseBodyWithPathItem(request, &response, at.item, at.path)
	for _, e := range append(wrong, more...) {
		if text := complaint(x, e); !j.said[text] {
			j.said[text] = true
			j.t.Error(text)
		}
	}
}

// complaint is what is wrong with an exchange.
func complaint(x harness.Exchange, e *verrors.ValidationError) string {
	var text strings.Builder
	text.WriteString(x.Operation + ": " + e.Message)
	for _, s := range e.SchemaValidationErrors {
		text.WriteString("; " + s.FieldPath + " " + s.Reason)
	}
	if len(e.SchemaValidationErrors) == 0 {
		text.WriteString(": " + e.Reason + " " + x.Request.URL.String())
	}
	return text.String()
}
