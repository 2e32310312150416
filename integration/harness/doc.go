// Package harness brings the whole suite up for tests: in the test's own process or as programs, on SQLite and an embedded
// event stream or on PostgreSQL and a cluster of event servers, with one instance of each part or two. Tests use only the
// addresses that it gives, as everybody outside does.
package harness
