// Package verbs is what people and scripts ask of a running suite on the command line: every method of the contract by its
// name, lists as tables, the feed, and readings in.
//
// It knows the contract's descriptors only and calls the public API, so a new method needs nothing here.
package verbs
