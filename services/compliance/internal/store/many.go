package store

import (
	"context"
	"fmt"
	"strings"
	"time"

	"google.golang.org/protobuf/proto"

	compliancev1 "coldsection.example/proto/coldsection/compliance/v1"
	"coldsection.example/services/platform/storage"
)

// AccomplishmentsOfMany are the records on subjects, at most Many, by subject, in no order; requirements, when there are any, narrow them.
func AccomplishmentsOfMany(ctx context.Context, tx *storage.Tx, subjects, requirements []string) (map[string]Records, error) {
	out := map[string]Records{}
	in, args := narrowed(subjects, requirements)
	return out, addWhole(ctx, tx, out, subjects, in, args)
}

// LinesOfMany is AccomplishmentsOfMany of no more than what due items follow from. The store puts the lines of a subject one behind the other: to ask
// for each by itself took as long as to read it.
func LinesOfMany(ctx context.Context, tx *storage.Tx, subjects, requirements []string) (map[string]Records, error) {
	out := make(map[string]Records, len(subjects))
	in, args := narrowed(subjects, requirements)
	if _, err := storage.Collect(ctx, tx, func(row storage.Scanner) (subject string, err error) {
		var lines []byte
		if err = row.Scan(&subject, &lines); len(lines) > 0 {
			out[subject] = Records{lines}
		}
		return subject, err
	}, "SELECT subject, string_agg(line, '') FROM accomplishments WHERE "+in+" GROUP BY subject", args...); err != nil {
		return nil, err
	}
	in += fmt.Sprintf(" AND line <= $%d", len(args)+1) // those without a line
	return out, addWhole(ctx, tx, out, subjects, in, append(args, []byte{}))
}

// narrowed is the condition on records of subjects and, when there are any, of requirements.
func narrowed(subjects, requirements []string) (condition string, args []any) {
	condition, args = In("subject", 1, subjects)
	var of []string
	for _, r := range requirements {
		of = append(of, fmt.Sprintf("(name >= $%d AND name < $%d)", len(args)+1, len(args)+2))
		args = append(args, r+"/", r+"0")
	}
	if len(of) > 0 {
		condition += " AND (" + strings.Join(of, " OR ") + ")"
	}
	return condition, args
}

// addWhole adds the whole records that meet a condition.
func addWhole(ctx context.Context, tx *storage.Tx, to map[string]Records, subjects []string, condition string, args []any) error {
	rows, err := tx.Query(ctx, "SELECT body FROM accomplishments WHERE "+condition, args...)
	if err != nil {
		return err
	}
	defer func() { _ = rows.Close() }()
	found, err := recordsOf(rows, subjects)
	for name, more := range found {
		to[name] = append(to[name], more...)
	}
	return err
}

// fewRecords is for how many records of a subject there is room from the beginning.
const fewRecords = 32

// recordsOf sorts records by their subject, which they name themselves: a column of its own would be read a million times for a large fleet.
func recordsOf(rows storage.Rows, subjects []string) (map[string]Records, error) {
	place, found := make(map[string]int, len(subjects)), make([]Records, len(subjects))
	for i, name := range subjects {
		place[name] = i
	}
	var body []byte
	into := []any{&body} // one for all rows, as there are many
	for i := 0; rows.Next(); {
		body = nil
		if err := rows.Scan(into...); err != nil {
			return nil, err
		}
		subject, err := subjectOf(body)
		if err != nil {
			return nil, err
		}
		if string(subject) != subjects[i] { // mostly they come subject by subject
			var asked bool
			if i, asked = place[string(subject)]; !asked {
				return nil, fmt.Errorf("a record on %q lies among those on others", subject)
			}
		}
		if found[i] == nil {
			found[i] = make(Records, 0, fewRecords)
		}
		found[i] = append(found[i], body)
	}
	out := make(map[string]Records, len(subjects))
	for i, name := range subjects {
		if found[i] != nil {
			out[name] = found[i]
		}
	}
	return out, rows.Err()
}

// DueItemsOfMany are the due items of subjects, at most Many, by name; requirements, when there are any, narrow them.
func DueItemsOfMany(ctx context.Context, tx *storage.Tx, subjects, requirements []string) (map[string]*compliancev1.DueItem, error) {
	out := map[string]*compliancev1.DueItem{}
	if len(subjects) == 0 {
		return out, nil
	}
	in, args := In("subject", 1, subjects)
	if len(requirements) > 0 {
		of, more := In("requirement", len(args)+1, requirements)
		in, args = in+" AND "+of, append(args, more...)
	}
	found, err := DueItems.Where(ctx, tx, in, args...)
	for _, item := range found {
		out[item.GetName()] = item
	}
	return out, err
}

// DecisionsOfMany are the newest decisions on subjects, at most Many, by subject and requirement.
func DecisionsOfMany(ctx context.Context, tx *storage.Tx, subjects []string) (map[string]map[string]*compliancev1.ApplicabilityDecision, error) {
	out := map[string]map[string]*compliancev1.ApplicabilityDecision{}
	in, args := In("subject", 1, subjects)
	_, err := storage.Collect(ctx, tx, func(row storage.Scanner) (string, error) {
		var subject, requirement string
		var body []byte
		if err := row.Scan(&subject, &requirement, &body); err != nil {
			return "", err
		}
		d := &compliancev1.ApplicabilityDecision{}
		put(out, subject, requirement, d)
		return requirement, proto.Unmarshal(body, d)
	}, "SELECT subject, requirement, body FROM applicability_decisions WHERE "+in+" ORDER BY subject, requirement, position", args...)
	return out, err
}

// ExtensionsOfMany are the extensions of the due items of subjects, at most Many, by subject.
func ExtensionsOfMany(ctx context.Context, tx *storage.Tx, subjects []string) (map[string]map[Extended]*compliancev1.Extension, error) {
	out := map[string]map[Extended]*compliancev1.Extension{}
	in, args := In("subject", 1, subjects)
	_, err := storage.Collect(ctx, tx, func(row storage.Scanner) (of Extended, err error) {
		var subject string
		var body []byte
		if err := row.Scan(&subject, &of.Item, &of.After, &body); err != nil {
			return of, err
		}
		e := &compliancev1.Extension{}
		put(out, subject, of, e)
		return of, proto.Unmarshal(body, e)
	}, "SELECT subject, due_item, after_record, body FROM extensions WHERE "+in, args...)
	return out, err
}

// LastEndedOfMany is when flying was last taken back from things, at most Many; those from which none ever was are left out.
func LastEndedOfMany(ctx context.Context, tx *storage.Tx, items []string) (map[string]time.Time, error) {
	out := map[string]time.Time{}
	in, args := In("item", 1, items)
	_, err := storage.Collect(ctx, tx, func(row storage.Scanner) (item string, err error) {
		var last int64
		err = row.Scan(&item, &last)
		out[item] = storage.FromMicros(last)
		return item, err
	}, "SELECT item, CAST(MAX(until_time) AS BIGINT) FROM flown WHERE until_time > 0 AND "+in+" GROUP BY item", args...)
	return out, err
}

func put[A, B comparable, V any](m map[A]map[B]V, a A, b B, v V) {
	if m[a] == nil {
		m[a] = map[B]V{}
	}
	m[a][b] = v
}
