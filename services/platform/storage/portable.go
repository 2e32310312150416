package storage

import (
	"fmt"
	"io/fs"
	"strings"
	"testing/fstest"
)

// postgresTypes are the words of a portable schema that PostgreSQL spells differently. Text compares by bytes on both
// engines, as SQLite does.
var postgresTypes = strings.NewReplacer(" BLOB", " BYTEA", " TEXT", ` TEXT COLLATE "C"`)

// Portable makes the migrations of both engines out of one folder of files that use only TEXT, BIGINT and BLOB columns.
func Portable(files fs.FS) Migrations {
	rewritten := fstest.MapFS{}
	names, err := fs.Glob(files, "*.sql")
	if err != nil {
		panic(fmt.Sprintf("storage: %v", err)) // the pattern above is valid
	}
	for _, name := range names {
		text, err := fs.ReadFile(files, name)
		if err != nil {
			panic(fmt.Sprintf("storage: embedded migration %s: %v", name, err))
		}
		rewritten[name] = &fstest.MapFile{Data: []byte(postgresTypes.Replace(string(text)))}
	}
	return Migrations{SQLite: files, Postgres: rewritten}
}
