package storage

import (
	"fmt"
	"io/fs"
	"path"
	"strings"
	"testing/fstest"
)

// postgresTypes are the words of a portable schema that PostgreSQL spells differently. Text compares by bytes on both
// engines, as SQLite does.
var postgresTypes = strings.NewReplacer(" BLOB", " BYTEA", " TEXT", ` TEXT COLLATE "C"`)

// Portable makes the migrations of both engines out of one folder of files that use only TEXT, BIGINT and BLOB columns. What the engines
// spell too differently, such as triggers, stands in the folders sqlite and postgres below it, in files of the same number.
func Portable(files fs.FS) Migrations {
	lite, post := fstest.MapFS{}, fstest.MapFS{}
	copyFiles(files, "*.sql", lite, strings.NewReplacer())
	copyFiles(files, "*.sql", post, postgresTypes)
	copyFiles(files, "sqlite/*.sql", lite, strings.NewReplacer())
	copyFiles(files, "postgres/*.sql", post, strings.NewReplacer())
	return Migrations{SQLite: lite, Postgres: post}
}

// copyFiles copies files that match a pattern, without their folder and with some words replaced.
func copyFiles(from fs.FS, pattern string, to fstest.MapFS, words *strings.Replacer) {
	names, err := fs.Glob(from, pattern)
	if err != nil {
		panic(fmt.Sprintf("storage: %v", err)) // the patterns above are valid
	}
	for _, name := range names {
		text, err := fs.ReadFile(from, name)
		if err != nil {
			panic(fmt.Sprintf("storage: embedded migration %s: %v", name, err))
		}
		to[path.Base(name)] = &fstest.MapFile{Data: []byte(words.Replace(string(text)))}
	}
}
