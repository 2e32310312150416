package webhooks

import (
	"hash/fnv"
	"time"
)

// delays are the pauses before the second, third … attempt: the example schedule of the specification "Standard Webhooks",
// which ends 75 hours and 35 minutes after the first attempt.
var delays = []time.Duration{
	5 * time.Second, 5 * time.Minute, 30 * time.Minute, 2 * time.Hour, 5 * time.Hour, 10 * time.Hour, 14 * time.Hour, 20 * time.Hour,
	24 * time.Hour,
}

// disableAfter is how long every attempt may fail before an endpoint is disabled. It is longer than the schedule, so that a
// receiver that is back before the last attempt has missed nothing.
const disableAfter = 5 * 24 * time.Hour

// maxRetryAfter bounds the pause that a receiver may ask for.
const maxRetryAfter = 24 * time.Hour

// nextDelay is the pause after this many attempts; false when there is no further one. Up to a tenth is added, a share that
// belongs to the message, so that many messages that failed together do not come back together. A receiver that asks for a
// longer pause gets it.
func nextDelay(message string, attempts int, asked time.Duration) (time.Duration, bool) {
	if attempts < 1 || attempts > len(delays) {
		return 0, false
	}
	hash := fnv.New32a()
	_, _ = hash.Write([]byte(message))
	delay := delays[attempts-1]
	delay += delay / 10 * time.Duration(hash.Sum32()%1000) / 1000
	return max(delay, min(asked, maxRetryAfter)), true
}
