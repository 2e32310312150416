package suite

// HTTPLimits are shown to tests, which have no two minutes to be idle.
type HTTPLimits = httpLimits

// Server is a server within the limits.
var Server = httpLimits.server
