package store_test

import (
	"bytes"
	"context"
	"fmt"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
	"time"

	"google.golang.org/genproto/googleapis/type/date"
	"google.golang.org/protobuf/proto"

	compliancev1 "coldsection.example/proto/coldsection/compliance/v1"
	"coldsection.example/services/compliance/internal/store"
	"coldsection.example/services/platform/auth"
	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/listing"
	"coldsection.example/services/platform/resource"
	"coldsection.example/services/platform/storage"
	"coldsection.example/services/platform/storage/storagetest"
)

var now = time.Date(2026, 3, 2, 9, 0, 0, 0, time.UTC)

// keeper is a store on one of the engines.
type keeper struct {
	t  *testing.T
	db *storage.DB
}

// engines runs a test on a fresh store of each engine.
func engines(t *testing.T, fn func(t *testing.T, k *keeper)) {
	t.Helper()
	storagetest.Engines(t, store.Migrations(), func(t *testing.T, db *storage.DB) {
		t.Helper()
		fn(t, &keeper{t, db})
	})
}

func (k *keeper) try(fn storage.Func) error { return k.db.Update(k.t.Context(), fn) }

func (k *keeper) do(fn storage.Func) {
	k.t.Helper()
	if err := k.try(fn); err != nil {
		k.t.Fatal(err)
	}
}

// What a resource said stays as it was said: each version is found by the instants from which it was known, and the first by all of them.
func TestVersionsStayAsTheyWereKnown(t *testing.T) {
	engines(t, func(t *testing.T, k *keeper) {
		for i, title := range []string{"first", "second", "third"} {
			k.do(func(ctx context.Context, tx *storage.Tx) error {
				return store.AddVersion(ctx, tx, &compliancev1.Requirement{Name: "requirements/r", DisplayName: title}, now.Add(time.Duration(i)*time.Hour))
			})
		}
		k.do(func(ctx context.Context, tx *storage.Tx) error {
			for after, want := range map[time.Duration]string{-time.Microsecond: "", 0: "first", time.Hour - time.Microsecond: "first", time.Hour: "second", 99 * time.Hour: "third"} {
				r, first := &compliancev1.Requirement{}, &compliancev1.Requirement{}
				found, err := store.VersionKnown(ctx, tx, "requirements/r", now.Add(after), r)
				if err != nil || found != (want != "") || r.GetDisplayName() != want {
					t.Errorf("known after %s: %t %q, %v; want %q", after, found, r.GetDisplayName(), err, want)
				}
				if found, err := store.FirstVersionKnown(ctx, tx, "requirements/r", now.Add(after), first); err != nil || found != (want != "") || found && first.GetDisplayName() != "first" {
					t.Errorf("first known after %s: %t %q, %v", after, found, first.GetDisplayName(), err)
				}
				names, err := store.NamesKnown(ctx, tx, "requirements", now.Add(after))
				if err != nil || (len(names) == 1) != (want != "") {
					t.Errorf("names known after %s: %q, %v", after, names, err)
				}
			}
			return nil
		})
	})
}

// Decisions are added and never changed: what was known earlier stays to be read, and many subjects at once say the same as each alone.
func TestDecisionsAreAddedAndNeverChanged(t *testing.T) {
	engines(t, func(t *testing.T, k *keeper) {
		add := func(requirement, subject, reason string, at time.Time) {
			k.do(func(ctx context.Context, tx *storage.Tx) error {
				return store.AddDecision(ctx, tx, requirement, subject, &compliancev1.ApplicabilityDecision{Reason: reason}, at)
			})
		}
		add("requirements/a", "engines/1", "old", now)
		add("requirements/a", "engines/1", "new", now) // in the same microsecond: the later one counts
		add("requirements/b", "engines/1", "later", now.Add(time.Hour))
		add("requirements/a", "engines/2", "another", now)
		k.do(func(ctx context.Context, tx *storage.Tx) error {
			many, err := store.DecisionsOfMany(ctx, tx, []string{"engines/1", "engines/2", "engines/3"})
			if err != nil {
				return err
			}
			for _, subject := range []string{"engines/1", "engines/2", "engines/3"} {
				alone, err := store.DecisionsKnown(ctx, tx, subject, now.Add(2*time.Hour))
				if err != nil || len(alone) != len(many[subject]) {
					t.Errorf("%s: %d alone, %d among many, %v", subject, len(alone), len(many[subject]), err)
				}
				for requirement, d := range alone {
					if !proto.Equal(d, many[subject][requirement]) {
						t.Errorf("%s on %s: %v and %v", requirement, subject, d, many[subject][requirement])
					}
				}
			}
			then, err := store.DecisionsKnown(ctx, tx, "engines/1", now)
			if len(then) != 1 || then["requirements/a"].GetReason() != "new" {
				t.Errorf("known then: %v", then)
			}
			return err
		})
	})
}

// An interval has one extension: a second one is told so and changes nothing; the next interval may have its own.
func TestAnIntervalHasOneExtension(t *testing.T) {
	engines(t, func(t *testing.T, k *keeper) {
		add := func(after string, seconds int64) (fresh bool) {
			k.do(func(ctx context.Context, tx *storage.Tx) (err error) {
				fresh, err = store.AddExtension(ctx, tx, "engines/1", "dueItems/a.1", after, &compliancev1.Extension{OperatingSeconds: seconds})
				return err
			})
			return fresh
		}
		if !add("", 1) || add("", 2) || !add("record", 3) || add("record", 3) {
			t.Error("an interval has no extension, or two")
		}
		k.do(func(ctx context.Context, tx *storage.Tx) error {
			alone, err := store.ExtensionsOn(ctx, tx, "engines/1")
			if err != nil {
				return err
			}
			many, err := store.ExtensionsOfMany(ctx, tx, []string{"engines/0", "engines/1"})
			for _, got := range []map[store.Extended]*compliancev1.Extension{alone, many["engines/1"]} {
				if len(got) != 2 || got[store.Extended{Item: "dueItems/a.1"}].GetOperatingSeconds() != 1 || got[store.Extended{Item: "dueItems/a.1", After: "record"}].GetOperatingSeconds() != 3 {
					t.Errorf("%v", got)
				}
			}
			return err
		})
	})
}

// A name is taken once, a row that was changed meanwhile is not overwritten, and neither leaves anything behind.
func TestConflictsChangeNothing(t *testing.T) {
	engines(t, func(t *testing.T, k *keeper) {
		first := &compliancev1.Tool{Name: "tools/t", Serial: "1"}
		k.do(func(ctx context.Context, tx *storage.Tx) error { return store.Tools.Insert(ctx, tx, first, now) })
		if err := k.try(func(ctx context.Context, tx *storage.Tx) error {
			return store.Tools.Insert(ctx, tx, &compliancev1.Tool{Name: "tools/t", Serial: "2"}, now)
		}); !fault.HasReason(err, "ALREADY_EXISTS") {
			t.Errorf("a second tool of the name: %v", err)
		}
		stale := proto.CloneOf(first)
		k.do(func(ctx context.Context, tx *storage.Tx) error {
			first.Serial = "3"
			return store.Tools.Save(ctx, tx, first, now)
		})
		if err := k.try(func(ctx context.Context, tx *storage.Tx) error {
			stale.Serial = "4"
			return store.Tools.Save(ctx, tx, stale, now)
		}); err == nil {
			t.Error("a stale tool was saved")
		}
		k.do(func(ctx context.Context, tx *storage.Tx) error {
			got, err := store.Tools.Get(ctx, tx, "tools/t")
			if got.GetSerial() != "3" {
				t.Errorf("%v", got)
			}
			return err
		})
	})
}

// Pages of whatever size are together the list in its order, each row once, also where many rows share a date.
func TestPagesAreTheListInItsOrder(t *testing.T) {
	engines(t, func(t *testing.T, k *keeper) {
		dice, want := rand.New(rand.NewPCG(1, 2)), []string{}
		k.do(func(ctx context.Context, tx *storage.Tx) error {
			for i := range 60 {
				item := &compliancev1.DueItem{Name: fmt.Sprintf("dueItems/r%d.%d", dice.IntN(1000), i), Subject: "engines/1", Band: compliancev1.DueItem_Band(1 + i%2)}
				if d := dice.IntN(6); d > 0 {
					item.DueDate = &date.Date{Year: 2026, Month: 4, Day: int32(d)}
				}
				want = append(want, resource.DateText(item.GetDueDate())+" "+item.GetName())
				if err := store.DueItems.Insert(ctx, tx, item, now); err != nil {
					return err
				}
			}
			return nil
		})
		slices.Sort(want)
		lister := listing.New(bytes.Repeat([]byte("k"), 32))
		ctx := auth.NewContext(t.Context(), auth.Identity{Account: "accounts/ada", Roles: []string{"viewer"}, Kind: auth.Human})
		for _, size := range []int32{1, 7, 59, 60, 1000} {
			var got []string
			for token, more := "", true; more; more = token != "" {
				items, next, err := store.DueItems.List(ctx, k.db, lister, &compliancev1.ListDueItemsRequest{PageSize: size, PageToken: token}, "")
				if err != nil || len(items) > int(size) {
					t.Fatalf("%d items, %v", len(items), err)
				}
				for _, item := range items {
					got = append(got, resource.DateText(item.GetDueDate())+" "+item.GetName())
				}
				token = next
			}
			if !slices.Equal(got, want) {
				t.Errorf("pages of %d:\n%s\nwant\n%s", size, strings.Join(got, "\n"), strings.Join(want, "\n"))
			}
		}
	})
}

// Records of many subjects at once are those of each alone, and a requirement's name that begins with another's does not bring its records.
func TestRecordsOfManyAreThoseOfEach(t *testing.T) {
	engines(t, func(t *testing.T, k *keeper) {
		k.do(func(ctx context.Context, tx *storage.Tx) error {
			for i, name := range []string{"a", "ab", "a", "b"} {
				if err := store.Accomplishments.Insert(ctx, tx, &compliancev1.Accomplishment{
					Name: fmt.Sprintf("requirements/%s/accomplishments/%d", name, i), Subject: fmt.Sprintf("engines/%d", i/2), DoneDate: &date.Date{Year: 2026, Month: 1, Day: int32(i + 1)},
				}, now); err != nil {
					return err
				}
			}
			return nil
		})
		k.do(func(ctx context.Context, tx *storage.Tx) error {
			for only, want := range map[string]string{"": "0 1|2 3", "requirements/a": "0|2", "requirements/b": "|3"} {
				var narrowed []string
				if only != "" {
					narrowed = []string{only}
				}
				found, err := store.AccomplishmentsOfMany(ctx, tx, []string{"engines/0", "engines/1", "engines/2"}, narrowed)
				if err != nil {
					return err
				}
				var got [2][]string
				for i := range got {
					records, err := found[fmt.Sprintf("engines/%d", i)].Read()
					if err != nil {
						return err
					}
					for _, r := range records {
						got[i] = append(got[i], r.Name[len(r.Name)-1:])
					}
					slices.Sort(got[i])
				}
				if text := strings.Join(got[0], " ") + "|" + strings.Join(got[1], " "); text != want || len(found["engines/2"]) > 0 {
					t.Errorf("only %q: %s, want %s", only, text, want)
				}
			}
			return nil
		})
	})
}

// Everything that has requirements is named once, an engine beside its aircraft and a part beside what it is in.
func TestEverythingIsNamedOnce(t *testing.T) {
	engines(t, func(t *testing.T, k *keeper) {
		k.do(func(ctx context.Context, tx *storage.Tx) error {
			for _, err := range []error{
				store.Aircraft.Insert(ctx, tx, &compliancev1.Aircraft{Name: "aircraft/a"}, now), store.Aircraft.Insert(ctx, tx, &compliancev1.Aircraft{Name: "aircraft/b"}, now),
				store.Engines.Insert(ctx, tx, &compliancev1.Engine{Name: "engines/1", Serial: "1", Aircraft: "aircraft/a"}, now),
				store.Engines.Insert(ctx, tx, &compliancev1.Engine{Name: "engines/0", Serial: "0"}, now),
				store.Components.Insert(ctx, tx, &compliancev1.Component{Name: "components/c", PartNumber: "P", Serial: "1", Host: "engines/0"}, now),
			} {
				if err != nil {
					return err
				}
			}
			got, err := store.Everything(ctx, tx)
			if want := []string{"aircraft/a", "engines/1", "aircraft/b", "components/c", "engines/0"}; !slices.Equal(got, want) {
				t.Errorf("%q, want %q", got, want)
			}
			return err
		})
	})
}

// A subject is to be looked at again when its day is over, when the clock was set back before it, and when the requirements are others.
func TestASubjectIsUnsettledWhenItsDayOrItsRulesAreOver(t *testing.T) {
	engines(t, func(t *testing.T, k *keeper) {
		k.do(func(ctx context.Context, tx *storage.Tx) error {
			have, err := store.LockPoints(ctx, tx, []string{"engines/1", "engines/2"})
			if err != nil || len(have) != 2 || have["engines/1"] == nil {
				t.Errorf("%v, %v", have, err)
			}
			if err := store.SavePoints(ctx, tx, "engines/1", "2.2", now, now.Add(24*time.Hour), []byte("points")); err != nil {
				return err
			}
			if kept, err := store.PointsOf(ctx, tx, []string{"engines/1"}); err != nil || string(kept["engines/1"]) != "points" {
				t.Errorf("%q, %v", kept, err)
			}
			for _, c := range []struct {
				after time.Duration
				rules string
				want  string
			}{
				{0, "2.2", "engines/2"}, {24*time.Hour - time.Microsecond, "2.2", "engines/2"}, {24 * time.Hour, "2.2", "engines/1 engines/2"},
				{-time.Microsecond, "2.2", "engines/1 engines/2"}, {0, "2.3", "engines/1 engines/2"}, {0, "1.9", "engines/1 engines/2"},
			} {
				got, err := store.Unsettled(ctx, tx, now.Add(c.after), c.rules)
				if err != nil || strings.Join(got, " ") != c.want {
					t.Errorf("after %s by %s: %q, %v; want %s", c.after, c.rules, got, err, c.want)
				}
			}
			return nil
		})
	})
}
