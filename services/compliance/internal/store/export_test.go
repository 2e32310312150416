package store

// LineOf is for tests of lines that no store would keep.
var LineOf = lineOf
