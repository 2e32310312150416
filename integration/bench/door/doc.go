// Package door measures what the gateway costs: the same calls made to a service itself and through the gateway, over gRPC and
// REST, in one run, with everything in one process and in a process for each part; and how fast changes of orders are pulled:
//
//	go test -run '^$' -bench . -benchtime 1x ./integration/bench/door
package door
