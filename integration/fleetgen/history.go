package fleetgen

import (
	"fmt"
	"math"
	"math/rand/v2"
	"time"

	"coldsection.example/services/performance/demoengine"
)

const (
	foot      = 0.3048
	knot      = 1852.0 / 3600
	pound     = 0.45359237
	footPound = 1.3558179483314004 // N·m
	dirtiest  = 0.03               // where fouling ends, as a loss of compressor efficiency
	fullWear  = 120 * 24 * time.Hour
)

// history is an engine's life.
type history struct {
	config Config
	engine *demoengine.Engine
	random *rand.Rand

	truth    EngineTruth
	rows     []Row
	mistakes []Mistake

	start  time.Time
	onset  time.Time
	hours  float64
	foul   float64
	wash   time.Time // the next one
	build  demoengine.Health
	offset scatter // of the indications, constant
	noise  scatter // of the last reading, for the next one remembers it
	last   demoengine.Point
}

// scatter are errors of indications: °C, % of Ng, share of fuel and torque, °C of OAT.
type scatter struct{ itt, ng, fuel, torque, oat float64 }

// usual is the scatter's standard deviation at noise 1.
var usual = scatter{itt: 2.2, ng: 0.10, fuel: 0.007, torque: 0.004, oat: 0.5}

func newHistory(engine *demoengine.Engine, c Config, fault Fault, number int) *history {
	h := &history{config: c, engine: engine, random: rand.New(rand.NewPCG(c.Seed, uint64(number))), start: c.Start}
	r := h.random
	either := func(low, high float64) float64 {
		v := low + (high-low)*r.Float64()
		if r.IntN(2) == 0 {
			return -v
		}
		return v
	}
	h.truth.Serial, h.truth.Fault = fmt.Sprintf("GX-%d%02d", 10+c.Seed%90, number+10), fault
	h.truth.Params = Params{
		Wear: 0.013 + 0.009*r.Float64(), Leak: 0.012 + 0.008*r.Float64(), Bias: either(9, 15), Torque: either(0.021, 0.035),
		Rate: 1.2e-5 + 2e-5*r.Float64(), Ratio: 2 + 2*r.Float64(),
	}
	days := float64(c.Days)
	h.onset = c.Start.Add(time.Duration(days * (0.28 + 0.35*r.Float64()) * 24 * float64(time.Hour))).Truncate(24 * time.Hour)
	h.truth.Onset = h.onset.Format(time.DateOnly)
	if fault == FoulingThenHot {
		h.truth.Onset = h.onset.Add(fullWear).Format(time.DateOnly)
	}
	h.hours, h.foul = 1000+1500*r.Float64(), 0.0005*r.Float64()
	h.build = demoengine.Health{
		CompressorEfficiency: 0.002 * r.NormFloat64(), CompressorFlow: 0.003 * r.NormFloat64(),
		GasGeneratorEfficiency: 0.002 * r.NormFloat64(), PowerTurbineEfficiency: 0.002 * r.NormFloat64(),
	}
	h.offset = scatter{itt: 2 * r.NormFloat64(), ng: 0.05 * r.NormFloat64(), fuel: 0.005 * r.NormFloat64(), torque: 0.003 * r.NormFloat64()}
	h.nextWash(c.Start)
	return h
}

func (h *history) nextWash(from time.Time) {
	h.wash = from.AddDate(0, 0, 95+h.random.IntN(50)).Truncate(24 * time.Hour).Add(19 * time.Hour)
}

// live goes through the days: flights in the morning, washes in the evening.
func (h *history) live() error {
	effect, err := demoengine.Effect(h.engine, washCondition, washPower(h.engine), h.build)
	if err != nil {
		return err
	}
	h.truth.Params.Offset = effect.ITT + h.offset.itt
	for day := range h.config.Days {
		date := h.start.AddDate(0, 0, day)
		if h.random.Float64() < 0.78 {
			flights := 1 + h.random.IntN(2)*h.random.IntN(2)
			for flight := range flights {
				at := date.Add(time.Duration(6*60+int(90*h.random.Float64())+flight*220) * time.Minute)
				if err := h.fly(at); err != nil {
					return err
				}
			}
		}
		if !h.wash.After(date.Add(20 * time.Hour)) {
			if err := h.washed(); err != nil {
				return err
			}
		}
	}
	h.truth.FinalFouling = h.foul
	return nil
}

// fly adds a flight's hours, dirt and one reading.
func (h *history) fly(at time.Time) error {
	flown := 0.9 + 1.3*h.random.Float64()
	h.hours += flown
	rate := h.truth.Params.Rate
	if at.After(h.onset) {
		switch h.truth.Fault {
		case Fouling, FoulingThenHot:
			rate *= 3
		case FoulingFast:
			rate *= 7
		default:
		}
	}
	h.foul += rate * flown * (1 - h.foul/dirtiest)
	health := h.health(at)
	for range 50 {
		c, power := h.draw(at)
		p, err := demoengine.AtPower(h.engine, c.condition, health, power, h.last)
		if err != nil || p.ITT > 790 {
			continue // more than this engine gives today; the pilot takes less
		}
		h.last = p
		h.read(at, c, p)
		return nil
	}
	return fmt.Errorf("no power setting was found for a flight on %s", at.Format(time.DateOnly))
}

// health is the engine's at a time.
func (h *history) health(at time.Time) demoengine.Health {
	health := h.build
	health.CompressorEfficiency -= h.foul
	health.CompressorFlow -= h.foul * h.truth.Params.Ratio
	health.GasGeneratorEfficiency -= 0.002 * (h.hours - 1000) / 1000 // every engine ages, 0.2 % in 1,000 hours
	worn := 0.0
	switch since := at.Sub(h.onset); h.truth.Fault {
	case HotSection:
		worn = ramp(since)
	case FoulingThenHot:
		worn = ramp(since - fullWear)
	case BleedLeak:
		if since > 0 {
			health.Bleed += h.truth.Params.Leak
		}
	default:
	}
	health.GasGeneratorEfficiency -= worn * h.truth.Params.Wear
	health.GasGeneratorFlow += worn * h.truth.Params.Wear / 2
	return health
}

func ramp(since time.Duration) float64 {
	return math.Min(1, math.Max(0, float64(since)/float64(fullWear)))
}

// flight is a condition with what a log says of it.
type flight struct {
	condition demoengine.Condition
	altitude  float64 // ft
	airspeed  float64 // kt
}

// draw picks a flight's altitude, weather, speed and power [W].
func (h *history) draw(at time.Time) (flight, float64) {
	r := h.random
	levels := []float64{6000, 8000, 9000, 10000, 12000, 14000}
	f := flight{altitude: levels[r.IntN(len(levels))], airspeed: 140 + float64(r.IntN(46))}
	if r.IntN(4) == 0 {
		f.altitude += 500
	}
	season := math.Cos(2 * math.Pi * (float64(at.YearDay()) - 200) / 365.25)
	warmer := 3 + 12*season + 5*r.NormFloat64()
	f.condition = inFlight(f.altitude, f.airspeed, 15-0.0065*f.altitude*foot+warmer)
	f.condition.PropellerSpeed = []float64{1700, 1700, 1750, 1900}[r.IntN(4)]
	return f, (0.60 + 0.33*r.Float64()) * referred(h.engine, f.condition)
}

// read writes a row down: what the instruments say, as far as a log is written.
func (h *history) read(at time.Time, f flight, p demoengine.Point) {
	n := h.scatter()
	biasITT, biasTorque := h.offset.itt, h.offset.torque
	if at.After(h.onset) && h.truth.Fault == ITTBias {
		biasITT += h.truth.Params.Bias
	}
	if at.After(h.onset) && h.truth.Fault == TorqueBias {
		biasTorque += h.truth.Params.Torque
	}
	row := Row{
		Serial: h.truth.Serial, Time: at, Altitude: f.altitude, Airspeed: f.airspeed, Np: p.PropellerSpeed,
		OAT:    round(f.condition.OAT+n.oat, 1),
		Torque: round(p.Torque()/footPound*(1+biasTorque+n.torque), 0),
		Ng:     round(p.Ng*(1+(h.offset.ng+n.ng)/100), 1),
		ITT:    round(p.ITT+biasITT+n.itt, 0),
		Fuel:   round(p.Fuel/pound*(1+h.offset.fuel+n.fuel), 0),
		Hours:  round(h.hours, 1),
	}
	if !h.config.Clean {
		h.mistake(&row)
	}
	h.rows = append(h.rows, row)
}

// scatter is the next reading's; it remembers a third of the last one's.
func (h *history) scatter() scatter {
	const memory = 0.33
	fresh := math.Sqrt(1-memory*memory) * h.config.Noise
	next := func(last *float64, sd float64) float64 {
		*last = memory**last + fresh*sd*h.random.NormFloat64()
		return *last
	}
	n := &h.noise
	return scatter{next(&n.itt, usual.itt), next(&n.ng, usual.ng), next(&n.fuel, usual.fuel), next(&n.torque, usual.torque), next(&n.oat, usual.oat)}
}

// mistake spoils one row in eighty, the way people do.
func (h *history) mistake(row *Row) {
	if h.random.Float64() > 1.0/80 {
		return
	}
	var kind string
	switch k := h.random.IntN(10); {
	case k < 3 && row.OAT > -25: // near −40 both scales say the same
		kind, row.OAT = "oat_fahrenheit", round(row.OAT*1.8+32, 1)
	case k < 6:
		kind, row.ITT = "itt_misread", row.ITT+100*float64(1-2*h.random.IntN(2))
	case k < 8:
		kind, row.Torque = "torque_digit", row.Torque*10
	default:
		kind, row.Ng = "ng_missing", 0
	}
	h.mistakes = append(h.mistakes, Mistake{row.Serial, row.Time.Format(minute), kind})
}

// washed takes most of the dirt away, or now and then little of it.
func (h *history) washed() error {
	before := h.foul
	share := 0.72 + 0.2*h.random.Float64()
	if h.random.IntN(5) == 0 {
		share = 0.15
	}
	h.foul *= 1 - share
	dirty, clean := h.health(h.wash), h.health(h.wash)
	dirty.CompressorEfficiency -= before - h.foul
	dirty.CompressorFlow -= (before - h.foul) * h.truth.Params.Ratio
	power := washPower(h.engine)
	p, err := demoengine.AtPower(h.engine, washCondition, dirty, power, demoengine.Point{})
	if err != nil {
		return err
	}
	q, err := demoengine.AtPower(h.engine, washCondition, clean, power, p)
	if err != nil {
		return err
	}
	h.truth.Washes = append(h.truth.Washes, Wash{
		Time: h.wash, Hours: round(h.hours, 1), FoulBefore: before, FoulAfter: h.foul,
		ITT: round(q.ITT-p.ITT, 2), Ng: round(q.Ng-p.Ng, 3), Fuel: round(100*(q.Fuel/p.Fuel-1), 3),
	})
	h.nextWash(h.wash)
	return nil
}

func round(v float64, digits int) float64 {
	unit := math.Pow(10, float64(digits))
	return math.Round(v*unit) / unit
}
