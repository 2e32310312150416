package consumables_test

import (
	"testing"

	"coldsection.example/services/consumables/internal/reorder"
	"coldsection.example/services/platform/referencetest"
)

// What scipy and statsmodels say, each by another way than the formulas of this package: quantiles and the loss by integrating the density, economic
// quantities by minimising the costs themselves, forecasts by statsmodels' exponential smoothing from a known first level.
const reorderOthers = `
import numpy as np
from scipy import integrate, optimize, stats
from statsmodels.tsa.holtwinters import SimpleExpSmoothing
figures["z"] = [stats.norm.ppf(s) for s in given["services"]]
figures["poisson"] = [stats.poisson.ppf(s, m) for m in given["means"] for s in given["services"]]
for i, d in enumerate(given["demands"]):
    mean = d["Mean"] * d["Lead"]
    # the use of a lead time that is itself uncertain: variance = E[variance] + variance of the mean
    sd = np.sqrt(d["Lead"] * d["Deviation"] ** 2 + (d["LeadSigma"] * d["Mean"]) ** 2)
    short, _ = integrate.quad(lambda x: (x - d["Point"]) * stats.norm.pdf(x, mean, sd), d["Point"], mean + 12 * sd, epsabs=1e-13, epsrel=1e-12)
    figures["service %d" % i] = [stats.norm.cdf(d["Point"], mean, sd), short, 1 - short / d["Quantity"]]
def least(cost):
    return optimize.minimize_scalar(cost, bracket=(1, 100), tol=1e-12).x
figures["economic"] = [least(lambda q: a * o / abs(q) + h * abs(q) / 2) for a, o, h in given["orders"]]
figures["run"] = [least(lambda q: a * o / abs(q) + h * abs(q) / 2 * (1 - a / r)) for a, r, o, h in given["runs"]]
for i, series in enumerate(given["series"]):
    s = np.array(series)
    at = np.flatnonzero(s > 0)
    def level(x):
        return SimpleExpSmoothing(x[1:], initialization_method="known", initial_level=x[0]).fit(smoothing_level=0.1, optimized=False).level[-1]
    size, interval = level(s[at]), level(np.diff(np.concatenate([[-1], at])).astype(float))
    figures["croston %d" % i] = [size, interval, size / interval]
    figures["class %d" % i] = [np.diff(np.concatenate([[-1], at])).mean(), stats.variation(s[at], ddof=1) ** 2]
`

type pointed struct {
	reorder.Demand

	Point, Quantity float64
}

func TestReorderingBesideScipy(t *testing.T) {
	given := struct {
		Services []float64    `json:"services"`
		Means    []float64    `json:"means"`
		Demands  []pointed    `json:"demands"`
		Orders   [][3]float64 `json:"orders"`
		Runs     [][4]float64 `json:"runs"`
		Series   [][]float64  `json:"series"`
	}{
		Services: []float64{0.5, 0.8, 0.9, 0.95, 0.975, 0.99, 0.9999}, Means: []float64{0.05, 0.7, 3, 12.5, 60},
		Demands: []pointed{
			{reorder.Demand{Mean: 2500, Deviation: 500, Lead: 2}, 6000, 10000}, {reorder.Demand{Mean: 40, Deviation: 12, Lead: 9, LeadSigma: 3}, 500, 400},
			{reorder.Demand{Mean: 0.3, Deviation: 0.9, Lead: 30, LeadSigma: 10}, 8, 20}, {reorder.Demand{Mean: 5, Deviation: 2, Lead: 4}, 15, 60},
		},
		Orders: [][3]float64{{3120, 12, 0.005}, {12000, 4000, 100}, {900, 4, 2}, {17, 250, 33}}, Runs: [][4]float64{{10000, 25000, 200, 500}, {120, 121, 30, 7}, {50, 1e6, 8, 3}},
		Series: [][]float64{
			{0, 2, 0, 1, 0, 11, 0, 0, 0, 0, 2, 0, 6, 3, 0, 0, 0, 0, 0, 7, 0, 0, 0, 0, 0, 0, 0, 3, 1, 0, 0, 1, 0, 1, 0, 0},
			{5, 5.5, 4, 6, 5, 4.75, 5.25, 6, 5}, {1, 0, 0, 40, 0, 3, 0, 0, 0, 0, 90}, {0, 0, 3, 0, 3, 0, 0, 3, 0, 3},
		},
	}
	says := referencetest.Python(t, reorderOthers, given)
	var z, levels, economic, run []float64
	for _, service := range given.Services {
		v, err := reorder.Z(service)
		if err != nil {
			t.Fatal(err)
		}
		z = append(z, v)
	}
	for _, mean := range given.Means {
		for _, service := range given.Services {
			levels = append(levels, float64(reorder.PoissonLevel(mean, service)))
		}
	}
	for _, o := range given.Orders {
		economic = append(economic, reorder.Economic(o[0], o[1], o[2]))
	}
	for _, r := range given.Runs {
		run = append(run, reorder.EconomicRun(r[0], r[1], r[2], r[3]))
	}
	referencetest.Agree(t, "quantiles", z[1:], says["z"][1:], 1e-9)
	referencetest.Agree(t, "levels of rare use", levels, says["poisson"], 0)
	referencetest.Agree(t, "economic quantities", economic, says["economic"], 1e-6) // where a minimum is flat, half of the digits are found
	referencetest.Agree(t, "economic runs", run, says["run"], 1e-6)
	for i, d := range given.Demands {
		cycle, shortage, fill := reorder.Service(d.Demand, d.Point, d.Quantity)
		referencetest.Agree(t, "service", []float64{cycle, shortage, fill}, says["service "+string(rune('0'+i))], 1e-8)
	}
	classes := []string{"lumpy", "smooth", "lumpy", "intermittent"}
	for i, series := range given.Series {
		f, ok := reorder.Croston(series, 0.1)
		class, interval, variation := reorder.Class(series)
		if !ok || class != classes[i] {
			t.Errorf("series %d is %s, want %s", i, class, classes[i])
		}
		referencetest.Agree(t, "forecast", []float64{f.Size, f.Interval, f.Croston}, says["croston "+string(rune('0'+i))], 1e-12)
		referencetest.Agree(t, "class", []float64{interval, variation + 1}, []float64{says["class "+string(rune('0'+i))][0], says["class "+string(rune('0'+i))][1] + 1}, 1e-12)
	}
}
