package main

import (
	"bytes"
	"os/exec"
	"strings"
	"testing"

	"coldsection.example/services/performance/trend"
)

func TestBothAnalysesAgree(t *testing.T) {
	c := command{Engines: 3, Readings: 1500, Of: 2, Python: "/usr/bin/python3", Script: "analysis.py"}
	if err := exec.CommandContext(t.Context(), c.Python, "-c", "import scipy, pandas, statsmodels.api").Run(); err != nil {
		t.Skip("install the Debian packages python3-scipy, python3-pandas and python3-statsmodels to run the comparison")
	}
	var out bytes.Buffer
	if err := c.run(t.Context(), &out); err != nil {
		t.Fatal(err)
	}
	if !strings.Contains(out.String(), "on 2 of which every number agrees") {
		t.Errorf("%s", &out)
	}
}

func TestADifferenceIsSeen(t *testing.T) {
	model, err := table()
	if err != nil {
		t.Fatal(err)
	}
	e := model.life(1, 700)
	e.result = trend.Analyse(model.fitted, e.readings, e.events, trend.Rules{})
	r := e.result
	right := said{Level: [3]float64{r.Level.Value, r.Ng.Value, r.Fuel.Value}, Sigma: [3]float64{r.Noise}, Used: r.Used}
	for _, w := range r.Recoveries {
		right.Recoveries = append(right.Recoveries, [3][2]float64{{w.ITT.Value, w.ITT.Half}, {w.Ng.Value, w.Ng.Half}, {w.Fuel.Value, w.Fuel.Half}})
	}
	if agreed, err := compare([]engine{e}, []said{right}); err != nil || agreed != 1 {
		t.Fatalf("%d agree, %v", agreed, err)
	}
	for name, spoil := range map[string]func(*said){
		"level": func(s *said) { s.Level[0] += 2e-6 }, "used": func(s *said) { s.Used-- }, "advice": func(s *said) { s.Advices = []float64{1} },
	} {
		wrong := right
		spoil(&wrong)
		if _, err := compare([]engine{e}, []said{wrong}); err == nil {
			t.Errorf("another %s is not seen", name)
		}
	}
}

func TestMeaninglessBenchmarksAreRefused(t *testing.T) {
	for _, c := range []command{{Engines: 1, Readings: 5000, Of: 2}, {Engines: 1, Readings: 5000}, {Engines: 1, Readings: 10, Of: 1}} {
		if err := c.run(t.Context(), nil); err == nil {
			t.Errorf("%+v ran", c)
		}
	}
}
