package server_test

import (
	"strings"
	"testing"
	"time"

	"google.golang.org/genproto/googleapis/type/date"

	compliancev1 "coldsection.example/proto/coldsection/compliance/v1"
)

// grant authorizes ada to release between two days.
func (w *world) grant(id string, from, to *date.Date, edit func(*compliancev1.Authorization)) (*compliancev1.Authorization, error) {
	w.t.Helper()
	auth := &compliancev1.Authorization{Scope: "release", StartDate: from, EndDate: to}
	if edit != nil {
		edit(auth)
	}
	return w.commands.CreateAuthorization(w.as("quality"), &compliancev1.CreateAuthorizationRequest{Parent: "people/ada", AuthorizationId: id, Authorization: auth})
}

func (w *world) suspend(id, reason string) (*compliancev1.Authorization, error) {
	w.t.Helper()
	return w.commands.SuspendAuthorization(w.as("quality"), &compliancev1.SuspendAuthorizationRequest{Name: "people/ada/authorizations/" + id, Reason: reason})
}

// mayRelease is why ada may not release on a day; empty when she may.
func (w *world) mayRelease(civil *date.Date) (reason, words string) {
	w.t.Helper()
	got := w.gate(civil, &compliancev1.CheckGatesRequest{Person: "people/ada", Scopes: []string{"release"}, Engine: "engines/one"})
	if got.GetOpen() != (got.GetReason() == "") {
		w.t.Errorf("open and refused at once: %v", got)
	}
	return got.GetReason(), got.GetExplanation()
}

// The list says for today what the gate answers for today: an authorization that lapsed since it was granted is not shown as in force.
func TestAuthorizationsAreListedAsTheyAreToday(t *testing.T) {
	onEngines(t, func(t *testing.T, w *world) {
		must(w.grant("year", on(2026, 3, 3), on(2026, 3, 5), nil))(t)
		for day, want := range map[int]compliancev1.Authorization_State{
			2: compliancev1.Authorization_NOT_YET, 3: compliancev1.Authorization_IN_FORCE, 5: compliancev1.Authorization_IN_FORCE, 6: compliancev1.Authorization_LAPSED,
		} {
			w.clock.Set(time.Date(2026, 3, day, 23, 59, 0, 0, time.UTC))
			got := must(w.queries.ListAuthorizations(w.as("viewer"), &compliancev1.ListAuthorizationsRequest{Parent: "people/ada"}))(t).GetAuthorizations()
			reason, _ := w.mayRelease(on(2026, 3, day))
			if len(got) != 1 || got[0].GetState() != want || (reason == "") != (want == compliancev1.Authorization_IN_FORCE) {
				t.Errorf("on 2026-03-%02d: %v, want %s; the gate says %q", day, got, want, reason)
			}
		}
		w.clock.Set(time.Date(2026, 3, 6, 9, 0, 0, 0, time.UTC))
		got := must(w.commands.RecordExperience(w.as("quality"), &compliancev1.RecordExperienceRequest{
			Name: "people/ada/authorizations/year", ExperiencePeriod: &compliancev1.ExperiencePeriod{StartDate: on(2026, 1, 1), EndDate: on(2026, 2, 1)},
		}))(t)
		if got.GetState() != compliancev1.Authorization_LAPSED {
			t.Errorf("answered as %s after it lapsed", got.GetState())
		}
	})
}

// A suspension stays until quality grants anew: a renewal that was entered ahead does not open on its first day by itself, and no other authorization of
// the scope opens past it (rule: fail closed on authority; our own reading).
func TestASuspensionIsNotOverByAnOlderGrant(t *testing.T) {
	onEngines(t, func(t *testing.T, w *world) {
		must(w.grant("now", on(2026, 1, 1), on(2026, 3, 31), nil))(t)
		must(w.grant("next", on(2026, 4, 1), on(2027, 3, 31), nil))(t)
		must(w.grant("elsewhere", on(2026, 1, 1), on(2027, 3, 31), func(a *compliancev1.Authorization) { a.EngineModels = []string{"engineModels/other"} }))(t)
		w.clock.Advance(time.Hour)
		first := must(w.suspend("now", "under review"))(t)
		_, err := w.suspend("now", "again")
		refused(t, err, "AUTHORIZATION_SUSPENDED")
		for _, day := range []*date.Date{on(2026, 3, 2), on(2026, 4, 1), on(2027, 3, 31)} {
			if reason, words := w.mayRelease(day); reason != "AUTHORIZATION_SUSPENDED" || !strings.Contains(words, "under review") {
				t.Errorf("on %v: %s, %s", day, reason, words)
			}
		}
		w.clock.Advance(time.Hour)
		must(w.suspend("elsewhere", "another matter"))(t) // of another model: not held against this one
		must(w.grant("anew", on(2026, 3, 2), on(2026, 4, 30), nil))(t)
		for day, want := range map[*date.Date]string{on(2026, 3, 2): "", on(2026, 4, 30): "", on(2026, 5, 1): "AUTHORIZATION_SUSPENDED"} {
			if reason, words := w.mayRelease(day); reason != want {
				t.Errorf("granted anew, on %v: %q, want %q: %s", day, reason, want, words)
			}
		}
		all := must(w.queries.ListAuthorizations(w.as("viewer"), &compliancev1.ListAuthorizationsRequest{Parent: "people/ada", Filter: "scope = release"}))(t).GetAuthorizations()
		for _, a := range all {
			if a.GetName() == first.GetName() && (a.GetSuspendReason() != "under review" || !a.GetSuspendTime().AsTime().Equal(first.GetSuspendTime().AsTime())) {
				t.Errorf("the first suspension is now %v", a)
			}
		}
	})
}

// Experience is of the past: a day to come, or one that never is, would keep somebody current for ever.
func TestExperienceIsOfThePast(t *testing.T) {
	onEngines(t, func(t *testing.T, w *world) {
		for name, c := range map[string]struct {
			reason string
			edit   func(*compliancev1.Authorization)
		}{
			"last experience to come":  {"DATE_IN_FUTURE", func(a *compliancev1.Authorization) { a.LastExperienceDate = on(2026, 3, 4) }},
			"last experience never":    {"DATE_INVALID", func(a *compliancev1.Authorization) { a.LastExperienceDate = on(2026, 2, 30) }},
			"found able one day":       {"DATE_IN_FUTURE", func(a *compliancev1.Authorization) { a.FoundAbleDate = on(2099, 1, 1) }},
			"found able on a day of 0": {"DATE_INVALID", func(a *compliancev1.Authorization) { a.FoundAbleDate = &date.Date{} }},
			"a period to come": {"DATE_IN_FUTURE", func(a *compliancev1.Authorization) {
				a.ExperiencePeriods = []*compliancev1.ExperiencePeriod{{StartDate: on(2026, 1, 1), EndDate: on(2026, 2, 1)}, {StartDate: on(2026, 3, 1), EndDate: on(2026, 3, 4)}}
			}},
		} {
			_, err := w.grant("", on(2026, 1, 1), on(2026, 12, 31), c.edit)
			if refused(t, err, c.reason); t.Failed() {
				t.Fatalf("%s: %v", name, err)
			}
		}
		must(w.grant("", on(2026, 1, 1), on(2028, 12, 31), func(a *compliancev1.Authorization) { a.LastExperienceDate = on(2024, 2, 29) }))(t)
		for day, want := range map[*date.Date]string{on(2026, 2, 28): "", on(2026, 3, 1): "NOT_CURRENT"} { // 24 months after a leap day
			if reason, words := w.mayRelease(day); reason != want {
				t.Errorf("on %v: %q, want %q: %s", day, reason, want, words)
			}
		}
	})
}
