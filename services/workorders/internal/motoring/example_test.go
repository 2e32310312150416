package motoring_test

import (
	"fmt"
	"time"

	"coldsection.example/services/workorders/internal/motoring"
)

// 30 s on and 60 s of rest, then 30 s on and 5 min of rest; invented, for demonstration only. The run begins 20 s too soon.
func ExampleCheck() {
	duty := []motoring.Duty{{On: 30 * time.Second, Rest: time.Minute}, {On: 30 * time.Second, Rest: 5 * time.Minute}}
	at := func(s int) time.Time { return time.Date(2026, 5, 4, 9, 0, s, 0, time.UTC) }
	first := motoring.Run{Start: at(0), End: at(25)}
	fmt.Println(motoring.Check(duty, []motoring.Run{first}, motoring.Run{Start: at(65), End: at(90)}))
	// Output: started 20s too early: 1m0s of rest after run 1, then at most 30s
}
