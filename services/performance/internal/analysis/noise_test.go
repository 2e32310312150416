package analysis

import (
	"math"
	"math/rand/v2"
	"testing"
	"time"
)

// series are deviations of white noise plus a first-order autoregression, in three independent channels.
func series(seed uint64, n int, rho, white, slow float64) []vector {
	random := rand.New(rand.NewPCG(seed, 5))
	var out []vector
	var state vector
	for range n {
		var d vector
		for i, size := range usual {
			state[i] = rho*state[i] + math.Sqrt(1-rho*rho)*slow*random.NormFloat64()
			d[i] = size * (state[i] + white*random.NormFloat64())
		}
		out = append(out, d)
	}
	return out
}

func learned(d []vector) scatter {
	s := newScatter()
	for _, v := range d {
		s.add(v)
	}
	s.learn()
	return s
}

// The long-run factor of white noise is 1; of an autoregression with ρ = 0.33, 1 + 2·0.33/0.67 = 2.0; of one with ρ = 0.7 and
// a fifth of the variance, 1 + 2·0.2·Σ0.7^k = 1.9 in closed form. The mean over 60 engines of 1,000 readings comes near it.
func TestTheLongRunFactorAgainstItsClosedForm(t *testing.T) {
	for _, c := range []struct{ rho, white, slow, want float64 }{{0, 1, 0, 1}, {0.33, 0, 1, 1.985}, {0.7, math.Sqrt(0.8), math.Sqrt(0.2), 1.93}} {
		long, sigma := 0.0, 0.0
		for seed := range uint64(60) {
			s := learned(series(seed, 1000, c.rho, c.white, c.slow))
			long, sigma = long+s.Long[0]/60, sigma+s.Sigma[0]/60
		}
		if math.Abs(long/c.want-1) > 0.2 || math.Abs(sigma/usual[0]-1) > 0.07 {
			t.Errorf("ρ %v: %.2f instead of %.2f, standard deviation %.2f", c.rho, long, c.want, sigma)
		}
	}
}

// Without readings the usual noise is believed, and of equal ones no more than instruments show.
func TestTheScatterOfNothing(t *testing.T) {
	if s := newScatter(); math.Abs(s.Sigma[0]-usual[0]) > 1e-12 {
		t.Errorf("%v", s.Sigma)
	}
	s := learned(make([]vector, 5000))
	if s.Sigma[0] > 0.3 || s.Sigma[0] < finest[0] || !(s.Long[0] >= 1 && s.Long[0] < 3) {
		t.Errorf("%v %v", s.Sigma, s.Long)
	}
}

// A step of five standard deviations and dirt that comes evenly hardly show in the scatter.
func TestTheScatterIsBlindToChanges(t *testing.T) {
	still, moved := series(3, 600, 0.3, 0, 1), series(3, 600, 0.3, 0, 1)
	for i := range moved {
		moved[i][0] += 0.1 * float64(i)
		if i > 300 {
			moved[i][0] += 20
		}
	}
	a, b := learned(still), learned(moved)
	if b.Sigma[0] > 1.15*a.Sigma[0] || b.Long[0] > 1.35*a.Long[0] {
		t.Errorf("standard deviation %.2f and %.2f, long-run factor %.2f and %.2f", a.Sigma[0], b.Sigma[0], a.Long[0], b.Long[0])
	}
}

// The effect of propeller speed of a table that has one only is learned from neighbours: 40·n + 100·n² °C here.
func TestTheEffectOfThePropellersSpeed(t *testing.T) {
	random := rand.New(rand.NewPCG(7, 7))
	var p propeller
	for i, d := range series(5, 800, 0.3, 0, 1) {
		n := []float64{0, 0.03, 0.118}[random.IntN(3)]
		d[0] += 40*n + 100*n*n + 0.02*float64(i)
		p.add(n, d, usual)
		p.learn()
	}
	if got, want := p.Effect[0][0]*0.118+p.Effect[1][0]*0.118*0.118, 40*0.118+100*0.118*0.118; math.Abs(got-want) > 0.8 {
		t.Errorf("%.2f °C at the fastest, want %.2f", got, want)
	}
}

// coverage counts 90 % intervals that hold the true step of 0, the step called recovered, and the step found when it is −15 °C.
func coverage(t *testing.T, rho, white, slow float64) (covered, recovered, found int) {
	t.Helper()
	begin := time.Date(2025, 1, 1, 8, 0, 0, 0, time.UTC)
	for seed := range uint64(200) {
		d := series(1000+seed, 400, rho, white, slow)
		noise := learned(d)
		outcome := func(step float64) Recovery {
			var all []sample
			for i, v := range d[160:240] {
				if i >= 40 {
					v[0] += step
				}
				all = append(all, sample{begin.AddDate(0, 0, i), v})
			}
			steps := stepOf(all, 40, begin.AddDate(0, 0, 39).Add(12*time.Hour), &noise, 3)
			r := Recovery{ITT: steps[0], Ng: steps[1], Fuel: steps[2]}
			r.verdict(noise.Sigma[0], worthWash)
			return r
		}
		none := outcome(0)
		if math.Abs(none.ITT.Value) <= none.ITT.Half {
			covered++
		}
		if none.Outcome == Recovered {
			recovered++
		}
		if outcome(-15).Outcome == Recovered {
			found++
		}
	}
	return covered, recovered, found
}

// 90 % intervals about 200 washes cover what they say in white noise and in noise with memory: 85 to 95 %, and one standard
// error of 200 draws. A wash of no effect is called recovered in at most 5 %, one of 15 °C is found in at least 95 %.
func TestRecoveriesInNoiseWithAndWithoutMemory(t *testing.T) {
	for name, c := range map[string][3]float64{"white": {0, 1, 0}, "a third remembered": {0.33, 0, 1}, "weather": {0.7, math.Sqrt(0.8), math.Sqrt(0.2)}} {
		covered, recovered, found := coverage(t, c[0], c[1], c[2])
		t.Logf("%s: %d covered, %d recovered of no effect, %d of 15 °C found, of 200", name, covered, recovered, found)
		if covered < 166 || covered > 194 || recovered > 10 || found < 190 {
			t.Errorf("%s: %d covered, %d recovered of no effect, %d of 15 °C found, of 200", name, covered, recovered, found)
		}
	}
}

// Student's t, two-sided 90 %: printed table values.
func TestStudentQuantiles(t *testing.T) {
	for df, want := range map[float64]float64{10: 1.812, 20: 1.725, 30: 1.697, 120: 1.658} {
		if got := t90(df); math.Abs(got-want) > 0.0006 {
			t.Errorf("t(%v) = %.4f, want %.3f", df, got, want)
		}
	}
}

// The slope over hours is that of least squares: 0.5 °C per 100 h without noise, with no width.
func TestTheRunningSlope(t *testing.T) {
	var r running
	for i := range 30 {
		r.add(1000+float64(i)*3, 2+0.5*float64(i)*3/100)
	}
	if got := r.estimate(2); math.Abs(got.Value-0.5) > 1e-9 || got.Half > 1e-5 {
		t.Errorf("%+v", got)
	}
	for range 20 {
		r = running{}
		r.add(math.Inf(1), 1)
		r.add(500, 1)
	}
	if got := r.estimate(1); got != unknown {
		t.Errorf("one reading has the slope %+v", got)
	}
}
