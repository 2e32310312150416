package scenarios

import (
	"testing"
	"time"

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
// the suite that it left behind is asked whether it keeps the contract's other promises, where every answer, and above all every refusal, is compared
// with the description too.
func TestTheContractAfterAStoryOverREST(t *testing.T) {
	stage := harness.OneProcess(t)
	judge := describedBy(t, stage)
	out, err := story.New(story.Options{
		Conn: stage.RESTConn(t, judge.hear), FirstAdminToken: stage.Token(), Patience: time.Minute, SetClock: stage.SetClock,
	}, teller{t}).Run(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	stage.Heard = judge.hear
	in := told{stage: stage, out: out, rest: stage.RESTConn(t, judge.hear)}
	for _, c := range contract {
		t.Run(c.name, func(t *testing.T) { c.check(t, in) })
	}
	t.Run("the judge sees what is wrong", func(t *testing.T) { judgeSeesWhatIsWrong(t, in, judge) })
	t.Logf("%d exchanges of %d operations, %d of them refusals with %d reasons, were compared with the description",
		judge.exchanges, len(judge.called), judge.refusals, len(judge.reasons))
	if judge.exchanges < 200 || judge.refusals < 100 || len(judge.called) < 200 || len(judge.reasons) < 15 {
		t.Errorf("only %d exchanges of %d operations, %d of them refusals with %d reasons, were compared with the description",
			judge.exchanges, len(judge.called), judge.refusals, len(judge.reasons))
	}
}
