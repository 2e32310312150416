// Package cases holds the cores of engine performance against one table of published values, testdata/cases.csv, which names
// the source and the kind of each row. A row, or a value of a row, that no test asks for fails.
package cases
