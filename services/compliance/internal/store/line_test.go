package store_test

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"testing"

	"google.golang.org/genproto/googleapis/type/date"
	"google.golang.org/protobuf/proto"
	"pgregory.net/rapid"

	compliancev1 "coldsection.example/proto/coldsection/compliance/v1"
	"coldsection.example/services/compliance/internal/store"
	"coldsection.example/services/platform/storage"
)

// bare is a record without the bytes that it was read from.
func bare(r store.Record) string {
	return fmt.Sprintf("%q %q %v %+v %d %t %d %t", r.Name, r.Supersedes, r.DoneDate, r.Counters, r.Landings, r.Counted, r.Recorded, r.Void)
}

// What is read of a record's line is what is read of the record, and no byte less is a line.
func TestALineSaysWhatTheRecordDoes(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		a := anyAccomplishment(t)
		body, err := proto.Marshal(a)
		if err != nil {
			t.Fatal(err)
		}
		line := store.LineOf(a)
		all, err := store.Records{body, line}.Read()
		if err != nil {
			t.Fatal(err)
		}
		if whole, short := bare(all[0]), bare(all[1]); whole != short {
			t.Fatalf("line %s\nwhole %s", short, whole)
		}
		if _, err := all[1].Whole(); err == nil {
			t.Fatal("a line passes for the whole record")
		}
		cut := rapid.IntRange(1, len(line)-1).Draw(t, "cut")
		if _, err := (store.Records{line[:cut]}).Read(); err == nil {
			t.Fatalf("%d of %d bytes pass", cut, len(line))
		}
		if _, err := (store.Records{append(slices.Clip(line), 0)}).Read(); err == nil {
			t.Fatal("a byte more passes")
		}
	})
}

// Lines that stand one behind the other are the records that they are apart, and with a byte less or more they are none.
func TestLinesInARowAreTheLinesApart(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		var apart store.Records
		var row []byte
		for range rapid.IntRange(1, 20).Draw(t, "records") {
			line := store.LineOf(anyAccomplishment(t))
			apart, row = append(apart, line), append(row, line...)
		}
		one, err := store.Records{row}.Read()
		if err != nil {
			t.Fatal(err)
		}
		each, err := apart.Read()
		if err != nil || len(one) != len(each) {
			t.Fatalf("%d and %d records, %v", len(one), len(each), err)
		}
		for i := range each {
			if got, want := bare(one[i]), bare(each[i]); got != want {
				t.Errorf("%s in a row, %s apart", got, want)
			}
		}
		if _, err := (store.Records{row[:len(row)-1]}).Read(); err == nil {
			t.Error("a byte less passes")
		}
		if _, err := (store.Records{append(row, 0)}).Read(); err == nil {
			t.Error("a byte more passes")
		}
	})
}

// A store that puts lines together keeps every byte of them, whatever bytes they are: zeros, and what is no text.
func TestAStoreKeepsEveryByteOfLines(t *testing.T) {
	engines(t, func(t *testing.T, k *keeper) {
		var want []string
		k.do(func(ctx context.Context, tx *storage.Tx) error {
			for i := range 300 { // whose numbers have all bytes
				a := &compliancev1.Accomplishment{
					Name: fmt.Sprintf("requirements/r/accomplishments/%d", i), Subject: "engines/0", DoneDate: &date.Date{Year: 2026, Month: 1, Day: 1},
					Counters: &compliancev1.Counters{OperatingSeconds: int64(i), Cycles: int64(i) << 20, Starts: -int64(i) << 40, Landings: int64(i)},
				}
				if err := store.Accomplishments.Insert(ctx, tx, a, now); err != nil {
					return err
				}
				want = append(want, said(t, store.Records{store.LineOf(a)})...)
			}
			return nil
		})
		k.do(func(ctx context.Context, tx *storage.Tx) error {
			lines, err := store.LinesOfMany(ctx, tx, []string{"engines/0"}, nil)
			slices.Sort(want)
			if got := said(t, lines["engines/0"]); !slices.Equal(got, want) || len(lines["engines/0"]) != 1 {
				t.Errorf("%d records in %d pieces, want %d in one", len(got), len(lines["engines/0"]), len(want))
			}
			return err
		})
	})
}

// FuzzLine reads bytes that are no line: they are an error or a record, and never a panic.
func FuzzLine(f *testing.F) {
	line := store.LineOf(&compliancev1.Accomplishment{
		Name: "requirements/r/accomplishments/a", Subject: "engines/e", Supersedes: "requirements/r/accomplishments/b", Counters: &compliancev1.Counters{Cycles: 7},
	})
	for cut := range line {
		f.Add(line[:cut])
	}
	f.Add([]byte{7, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 1})
	f.Fuzz(func(t *testing.T, b []byte) {
		line := append([]byte{7}, b...)
		all, err := store.Records{line}.Read()
		if err == nil && len(all[0].Name)+len(all[0].Supersedes) > len(b) {
			t.Fatalf("%+v of %d bytes", all[0], len(b))
		}
	})
}

// What PostgreSQL could not index has no line, and is read whole.
func TestALongRecordHasNoLine(t *testing.T) {
	if line := store.LineOf(&compliancev1.Accomplishment{Name: "requirements/r/accomplishments/" + strings.Repeat("a", 1000)}); line == nil || len(line) > 0 {
		t.Errorf("%q", line)
	}
}

// Lines follow every change of their records; a record from before there were lines is read whole, and so is one that is too long for a line.
func TestLinesSayWhatTheirRecordsDo(t *testing.T) {
	engines(t, func(t *testing.T, k *keeper) {
		subjects := []string{"engines/0", "engines/1", "engines/2"}
		long := "requirements/r/accomplishments/" + strings.Repeat("a", 1500)
		k.do(func(ctx context.Context, tx *storage.Tx) error {
			for i := range 12 {
				a := &compliancev1.Accomplishment{
					Name: fmt.Sprintf("requirements/r%d/accomplishments/%d", i%2, i), Subject: subjects[i%2], DoneDate: &date.Date{Year: 2026, Month: 1, Day: int32(i + 1)},
					Counters: &compliancev1.Counters{OperatingSeconds: int64(i) * 3600, Cycles: int64(i)},
				}
				if i == 7 {
					a.Name = long
				}
				if err := store.Accomplishments.Insert(ctx, tx, a, now); err != nil {
					return err
				}
			}
			corrected, err := store.Accomplishments.Lock(ctx, tx, "requirements/r0/accomplishments/2")
			if err != nil {
				return err
			}
			corrected.Void = true
			if err := store.Accomplishments.Save(ctx, tx, corrected, now); err != nil {
				return err
			}
			if _, err := tx.Exec(ctx, "UPDATE accomplishments SET line = $1 WHERE name = $2", []byte{}, "requirements/r1/accomplishments/5"); err != nil {
				return err
			}
			_, err = tx.Exec(ctx, "UPDATE accomplishments SET line = '' WHERE name = $1", "requirements/r0/accomplishments/8") // as the migration says it
			return err
		})
		k.do(func(ctx context.Context, tx *storage.Tx) error {
			whole, err := store.AccomplishmentsOfMany(ctx, tx, subjects, nil)
			if err != nil {
				return err
			}
			lines, err := store.LinesOfMany(ctx, tx, subjects, nil)
			if err != nil {
				return err
			}
			for _, subject := range subjects {
				want, got := said(t, whole[subject]), said(t, lines[subject])
				if !slices.Equal(got, want) {
					t.Errorf("%s:\n%s\nwant\n%s", subject, strings.Join(got, "\n"), strings.Join(want, "\n"))
				}
			}
			if n := []int{short(lines[subjects[0]]), short(lines[subjects[1]]), len(lines[subjects[2]])}; !slices.Equal(n, []int{5, 4, 0}) {
				t.Errorf("%d records were read from lines, want 5, 4 and none", n)
			}
			some, err := store.LinesOfMany(ctx, tx, subjects[:1], []string{"requirements/r0", "requirements/r7"})
			if want, got := said(t, lines[subjects[0]]), said(t, some[subjects[0]]); !slices.Equal(got, want) || len(some) != 1 {
				t.Errorf("of one subject %q, want %q", got, want)
			}
			if none, err := store.LinesOfMany(ctx, tx, subjects[:1], []string{"requirements/r1"}); err != nil || len(none) != 0 {
				t.Errorf("of a requirement without records there: %v, %v", none, err)
			}
			return err
		})
	})
}

// said are records in the order of what they say.
func said(t *testing.T, kept store.Records) (all []string) {
	t.Helper()
	records, err := kept.Read()
	if err != nil {
		t.Fatal(err)
	}
	for _, r := range records {
		all = append(all, bare(r))
	}
	slices.Sort(all)
	return all
}

// short is how many of them were read from lines.
func short(kept store.Records) (n int) {
	records, err := kept.Read()
	for i := range records {
		if _, whole := records[i].Whole(); whole != nil && err == nil {
			n++
		}
	}
	return n
}
