package main

import (
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"runtime"
	"strings"
	"syscall"
	"time"

	"coldsection.example/services/performance/trend"
)

// clean is an invented engine that obeys ideal similarity, with the baseline fitted to it. For demonstration only.
type clean struct{ fitted *trend.Baseline }

func (clean) at(altitude, oat, airspeed, torque float64) trend.Point {
	p := trend.Point{Altitude: altitude, OAT: oat, Airspeed: airspeed, Np: 1700, Torque: torque}
	m2 := airspeed * airspeed / (661.5 * 661.5) / math.Pow(1-0.0065*altitude/288.15, 5.25588)
	delta, theta := math.Pow(1-0.0065*altitude/288.15, 5.25588)*math.Pow(1+0.2*m2, 3.5), (oat+273.15)*(1+0.2*m2)/288.15
	x := p.Power() / (delta * math.Sqrt(theta)) / 500
	p.ITT, p.Ng, p.Fuel = (800+250*x)*theta-273.15, (78+20*x)*math.Sqrt(theta), (60+150*x)*delta*math.Sqrt(theta)
	return p
}

func table() (*clean, error) {
	var c clean
	var points []trend.Point
	for _, h := range []float64{0, 2000, 4000} {
		for _, oat := range []float64{-20, 0, 20, 35} {
			for _, v := range []float64{100, 150, 190} {
				for _, q := range []float64{900, 1300, 1700, 2100} {
					points = append(points, c.at(h, oat, v, q))
				}
			}
		}
	}
	var err error
	c.fitted, err = trend.Fit(points)
	return &c, err
}

// engine is one engine's life and what the suite's analysis says of it.
type engine struct {
	readings []trend.Reading
	events   []trend.Event
	result   trend.Result
}

var begin = time.Date(2025, 1, 1, 0, 0, 0, 0, time.UTC)

// life makes four readings a day of an engine that gets dirty by 4 °C in 100 days, at whose end it is washed.
func (c *clean) life(seed uint64, readings int) (e engine) {
	random := rand.New(rand.NewPCG(seed, 3))
	var state [3]float64
	for i := range readings {
		p := c.at(1000+2500*random.Float64(), -10+40*random.Float64(), 120+60*random.Float64(), 1000+1000*random.Float64())
		p.Np = []float64{1700, 1750, 1900}[random.IntN(3)]
		p.Torque *= 1700 / p.Np // the same power
		for j := range state {
			state[j] = 0.33*state[j] + math.Sqrt(1-0.33*0.33)*random.NormFloat64()
		}
		dirt := 0.4 * float64(i%400) / 400
		p.ITT += 10.4*dirt + 2.5*state[0]
		p.Ng += 0.59*dirt + 0.13*state[1]
		p.Fuel *= 1 + (0.85*dirt+0.7*state[2])/100
		e.readings = append(e.readings, trend.Reading{ID: fmt.Sprint(i), At: begin.Add(time.Duration(i) * 6 * time.Hour), Hours: 1000 + float64(i), Point: p})
	}
	for i := 400; i+100 <= readings; i += 400 {
		e.events = append(e.events, trend.Event{At: begin.Add(time.Duration(i)*6*time.Hour - time.Hour), Kind: "recovery_wash"})
	}
	return e
}

func (e *engine) washDays() []float64 {
	out := []float64{}
	for _, w := range e.events {
		out = append(out, w.At.Sub(begin).Hours()/24)
	}
	return out
}

func (e *engine) csv() string {
	var b strings.Builder
	b.WriteString("time,altitude,oat,airspeed,np,torque,itt,ng,fuel\n")
	for _, r := range e.readings {
		p := r.Point
		fmt.Fprintf(&b, "%d,%v,%v,%v,%v,%v,%v,%v,%v\n", r.At.Unix(), p.Altitude, p.OAT, p.Airspeed, p.Np, p.Torque, p.ITT, p.Ng, p.Fuel)
	}
	return b.String()
}

// work is what the suite's analysis took.
type work struct {
	sample      []engine
	cpu         time.Duration
	early, late float64 // MB of heap after a tenth of the engines and after all
}

// analyse works all engines out, one after the other; their making is not counted.
func (c *command) analyse(model *clean) (w work) {
	for i := range c.Engines {
		e := model.life(uint64(i), c.Readings)
		before := processor()
		e.result = trend.Analyse(model.fitted, e.readings, e.events, trend.Rules{})
		w.cpu += processor() - before
		if i < c.Of {
			w.sample = append(w.sample, e)
		}
		if i == max(c.Of, c.Engines/10)-1 {
			w.early = heap()
		}
	}
	w.late = heap()
	return w
}

// processor is the processor time that this process used so far.
func processor() time.Duration {
	var u syscall.Rusage
	if err := syscall.Getrusage(syscall.RUSAGE_SELF, &u); err != nil {
		return 0
	}
	return time.Duration(u.Utime.Nano() + u.Stime.Nano())
}

func heap() float64 {
	runtime.GC()
	var m runtime.MemStats
	runtime.ReadMemStats(&m)
	return float64(m.HeapAlloc) / 1e6
}

// tolerance is how far the two analyses may be apart, in °C and %.
const tolerance = 1e-6

// compare counts the engines on which both agree in every number. One with a change counts only as found by both, since the
// yardstick does not go on after it; what it finds that is too little to be told changes nothing.
func compare(ours []engine, theirs []said) (agreed int, err error) {
	if len(ours) != len(theirs) {
		return 0, fmt.Errorf("%d engines and %d", len(ours), len(theirs))
	}
	for i := range ours {
		if len(ours[i].result.Shifts) > 0 && len(theirs[i].Alarms) > 0 {
			continue
		}
		if err := same(ours[i].result, theirs[i]); err != nil {
			return agreed, fmt.Errorf("engine %d: %w", i, err)
		}
		agreed++
	}
	if agreed == 0 {
		return 0, errors.New("no engine is without a change; take more of them")
	}
	return agreed, nil
}

func same(r trend.Result, s said) error {
	if r.Used != s.Used || len(r.Recoveries) != len(s.Recoveries) || len(r.Shifts) > 0 && len(s.Alarms) == 0 || len(r.Advices) > 0 != (len(s.Advices) > 0) {
		return fmt.Errorf("%d readings used, %d washes, %d shifts, %d advices here; %d, %d, %d, %d there",
			r.Used, len(r.Recoveries), len(r.Shifts), len(r.Advices), s.Used, len(s.Recoveries), len(s.Alarms), len(s.Advices))
	}
	pairs := [][2]float64{{r.Level.Value, s.Level[0]}, {r.Ng.Value, s.Level[1]}, {r.Fuel.Value, s.Level[2]}, {r.Noise, s.Sigma[0]}}
	for i, w := range r.Recoveries {
		for j, e := range []trend.Estimate{w.ITT, w.Ng, w.Fuel} {
			pairs = append(pairs, [2]float64{e.Value, s.Recoveries[i][j][0]}, [2]float64{e.Half, s.Recoveries[i][j][1]})
		}
	}
	for i, p := range pairs {
		if math.Abs(p[0]-p[1]) > tolerance {
			return fmt.Errorf("number %d is %v here and %v there", i, p[0], p[1])
		}
	}
	return nil
}
