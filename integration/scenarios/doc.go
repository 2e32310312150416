// Package scenarios lives the main job of the suite, from the empty suite to the proven recovery, through the public API:
// in one process, and with the process ended and started again in the middle.
package scenarios
