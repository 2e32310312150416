package owners_test

import (
	"context"
	"testing"

	"coldsection.example/services/platform/auth"
	"coldsection.example/services/platform/owners"
	"coldsection.example/services/platform/storage"
	"coldsection.example/services/platform/storage/storagetest"
)

func limited(ctx context.Context, to ...string) context.Context {
	return auth.NewContext(ctx, auth.Identity{Account: "accounts/guest", Owners: to})
}

func TestASubjectBelongsToItsOwnerOnly(t *testing.T) {
	storagetest.Engines(t, storage.Migrations{}, func(t *testing.T, db *storage.DB) {
		learn(t, db, "engines/a", "north")
		learn(t, db, "engines/b", "south")
		learn(t, db, "engines/nobody", "")
		for name, c := range map[string]struct {
			limit    []string
			subjects []string
			want     bool
		}{
			"no limit":                     {nil, []string{"engines/a"}, true},
			"no limit, unheard of":         {nil, []string{"engines/z"}, true},
			"its own":                      {[]string{"north"}, []string{"engines/a"}, true},
			"another's":                    {[]string{"north"}, []string{"engines/b"}, false},
			"one of two":                   {[]string{"north"}, []string{"engines/b", "engines/a"}, true},
			"of two owners":                {[]string{"north", "south"}, []string{"engines/b"}, true},
			"nobody's":                     {[]string{"north"}, []string{"engines/nobody"}, false},
			"unheard of":                   {[]string{"north"}, []string{"engines/z"}, false},
			"no subject at all":            {[]string{"north"}, nil, false},
			"an owner's name is no prefix": {[]string{"nor"}, []string{"engines/a"}, false},
		} {
			if got := owns(limited(t.Context(), c.limit...), t, db, c.subjects...); got != c.want {
				t.Errorf("%s: %v, want %v", name, got, c.want)
			}
		}
		learn(t, db, "engines/a", "south")
		if owns(limited(t.Context(), "north"), t, db, "engines/a") || !owns(limited(t.Context(), "south"), t, db, "engines/a") {
			t.Error("a sold engine is not its new owner's alone")
		}
	})
}

func TestTheConditionOfAList(t *testing.T) {
	if c, args := owners.Condition(t.Context(), []string{"engine"}, []any{"x"}); c != "" || len(args) != 1 {
		t.Errorf("a caller without a limit has the condition %q over %v", c, args)
	}
	if c, _ := owners.Condition(limited(t.Context(), "north"), nil, nil); c != "1 = 0" {
		t.Errorf("a table that nobody owns shows rows where %q", c)
	}
}

func TestTheSubjectOfAName(t *testing.T) {
	for name, want := range map[string]string{
		"engines/a": "engines/a", "engines/a/readings/1": "engines/a", "engines/a/b/c/d": "engines/a", "engines": "engines", "": "",
	} {
		if got := owners.Subject(name); got != want {
			t.Errorf("%q is about %q, want %q", name, got, want)
		}
	}
}

func learn(t *testing.T, db *storage.DB, subject, owner string) {
	t.Helper()
	err := db.Update(t.Context(), func(ctx context.Context, tx *storage.Tx) error { return owners.Learn(ctx, tx, subject, owner) })
	if err != nil {
		t.Fatal(err)
	}
}

func owns(ctx context.Context, t *testing.T, db *storage.DB, subjects ...string) (yes bool) {
	t.Helper()
	err := db.View(ctx, func(ctx context.Context, tx *storage.Tx) (err error) {
		yes, err = owners.Owns(ctx, tx, subjects...)
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	return yes
}
