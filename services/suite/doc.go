// Package suite puts the parts together: it is the only package that imports every service and the gateway.
//
// A process runs all parts or some. Parts in one process call each other over memory, through the same interceptors and
// the same deadlines as over a network; parts in other processes are reached at their configured addresses. Each part has
// its own database. Start brings up the event stream, the services, their relays and consumers, and the gateway last, so
// that nobody can come in before everything works; Stop goes the other way round. The first part that fails ends the rest.
package suite
