// Package owners keeps, in each service's own database, whose every aircraft and engine is, so that a caller who is limited
// to some owners is shown what is theirs and told of everything else that there is no such thing.
//
// An owner is a short text that the contract's aircraft and engines carry. Facts of the service that owns them bring it to
// the others. Something without an owner is shown to no limited caller, nor is anything that was not heard of yet.
package owners

import (
	"context"
	"fmt"
	"strings"

	"coldsection.example/services/platform/auth"
	"coldsection.example/services/platform/storage"
)

// Learn keeps that a subject, such as engines/{engine}, belongs to this owner from now on; an empty owner is nobody's.
func Learn(ctx context.Context, tx *storage.Tx, subject, owner string) error {
	_, err := tx.Exec(ctx, `INSERT INTO owned_subjects (subject, owner) VALUES ($1, $2)
		ON CONFLICT (subject) DO UPDATE SET owner = excluded.owner`, subject, owner)
	return err
}

// Limit is the owners to whom the caller is limited; none is no limit.
func Limit(ctx context.Context) []string {
	id, _ := auth.FromContext(ctx)
	return id.Owners
}

// Owns reports whether one of the subjects belongs to an owner to whom the caller is limited.
func Owns(ctx context.Context, tx *storage.Tx, subjects ...string) (bool, error) {
	limit := Limit(ctx)
	if len(limit) == 0 {
		return true, nil
	}
	condition, args := isOneOf("owner", limit, nil)
	among, args := isOneOf("subject", subjects, args)
	var n int64
	err := tx.QueryRow(ctx, "SELECT count(*) FROM owned_subjects WHERE "+condition+" AND "+among, args...).Scan(&n)
	return n > 0, err
}

// Condition is what a row of a list must meet for the caller: that one of its columns names a subject of an owner to whom
// the caller is limited. Columns come with their table, such as "due_items.subject", so that none is taken for a column of the
// table of owners. The column "name" names its subject by its first two segments. It goes on after args; a caller
// without a limit gets no condition.
func Condition(ctx context.Context, columns []string, args []any) (string, []any) {
	limit := Limit(ctx)
	if len(limit) == 0 {
		return "", args
	}
	if len(columns) == 0 {
		return "1 = 0", args
	}
	owner, args := isOneOf("o.owner", limit, args)
	var ways []string
	for _, c := range columns {
		way := "o.subject = " + c
		if strings.HasSuffix("."+c, ".name") {
			way += " OR substr(" + c + ", 1, length(o.subject) + 1) = o.subject || '/'"
		}
		ways = append(ways, way)
	}
	return "EXISTS (SELECT 1 FROM owned_subjects o WHERE " + owner + " AND (" + strings.Join(ways, " OR ") + "))", args
}

// isOneOf compares a column with values that become arguments after those that there are.
func isOneOf(column string, values []string, args []any) (string, []any) {
	var marks []string
	for _, v := range values {
		args = append(args, v)
		marks = append(marks, fmt.Sprintf("$%d", len(args)))
	}
	if len(marks) == 0 {
		return "1 = 0", args
	}
	return column + " IN (" + strings.Join(marks, ", ") + ")", args
}

// Subject is the subject that a resource name begins with: its first two segments.
func Subject(name string) string {
	parts := strings.SplitN(name, "/", 3)
	if len(parts) < 2 {
		return name
	}
	return parts[0] + "/" + parts[1]
}
