// Package cases holds no code: its test checks the rows of testdata/stores.csv, a table of check values for stores with the
// source of each beside it, against the cores of this service, and fails on a row that nobody checks.
package cases
