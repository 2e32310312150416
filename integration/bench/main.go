// Command bench measures the analysis of engine performance beside the same analysis in numpy, pandas and statsmodels
// (analysis.py), in one run on the same readings, and prints the ratio of their processor times once it has seen that both say
// the same:
//
//	go run ./integration/bench --engines 1000 --of 4
//
// Python works a part of the engines (--of) out, which are scaled to all; so much is stated in what is printed.
package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"os/exec"
	"os/signal"
	"path/filepath"

	"github.com/alecthomas/kong"
)

type command struct {
	Engines  int    `default:"100" help:"How many engines the suite's analysis works out."`
	Readings int    `default:"5000" help:"Readings of each engine, four a day."`
	Of       int    `default:"2" help:"How many of them Python works out."`
	Python   string `default:"/usr/bin/python3" help:"A Python with numpy, pandas, scipy and statsmodels."`
	Script   string `default:"integration/bench/analysis.py" type:"existingfile" help:"The analysis in Python."`
}

func main() {
	var c command
	kong.Parse(&c, kong.Name("bench"), kong.Description("Measures the analysis of engine performance beside numpy, pandas and statsmodels."))
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt)
	err := c.run(ctx, os.Stdout)
	stop()
	if err != nil {
		_, _ = fmt.Fprintln(os.Stderr, "bench:", err)
		os.Exit(1) //nolint:forbidigo // the program itself
	}
}

func (c *command) run(ctx context.Context, w io.Writer) error {
	if c.Of < 1 || c.Of > c.Engines || c.Readings < 500 {
		return errors.New("--of is 1 to --engines, and --readings at least 500")
	}
	dir, err := os.MkdirTemp("", "coldsection-bench-")
	if err != nil {
		return err
	}
	defer func() { _ = os.RemoveAll(dir) }()
	model, err := table()
	if err != nil {
		return err
	}
	ours := c.analyse(model)
	if err := write(dir, model, ours.sample[:c.Of]); err != nil {
		return err
	}
	theirs, err := c.python(ctx, dir)
	if err != nil {
		return err
	}
	agreed, err := compare(ours.sample[:c.Of], theirs.Engines)
	if err != nil {
		return fmt.Errorf("the two analyses differ: %w", err)
	}
	return c.report(w, ours, theirs, agreed)
}

// answer is what Python says.
type answer struct {
	Seconds float64 `json:"seconds"`
	Engines []said  `json:"engines"`
}

// said is what Python says of an engine: three deviations, and pairs of estimate and half width.
type said struct {
	Level      [3]float64      `json:"level"`
	Sigma      [3]float64      `json:"sigma"`
	Used       int             `json:"used"`
	Alarms     []float64       `json:"alarms"`
	Advices    []float64       `json:"advices"`
	Recoveries [][3][2]float64 `json:"recoveries"`
}

func (c *command) python(ctx context.Context, dir string) (a answer, err error) {
	run := exec.CommandContext(ctx, c.Python, c.Script, dir)
	run.Env = append(os.Environ(), "OMP_NUM_THREADS=1", "OPENBLAS_NUM_THREADS=1")
	run.Stderr = os.Stderr
	text, err := run.Output()
	if err != nil {
		return a, err
	}
	err = json.Unmarshal(text, &a)
	return a, err
}

func (c *command) report(w io.Writer, ours work, theirs answer, agreed int) error {
	count, sampled := float64(c.Engines*c.Readings), float64(c.Of*c.Readings)
	a, b := ours.cpu.Seconds()/count, theirs.Seconds/sampled
	_, err := fmt.Fprintf(w, "%d engines of %d readings; processor time of one core\n"+
		"suite:  %8.2f µs a reading, %8.2f s in all, heap %.1f MB after a tenth of the engines and %.1f MB after all\n"+
		"python: %8.2f µs a reading, %8.2f s in all, scaled from %d engines, on %d of which every number agrees to %g °C or %%\n"+
		"ratio:  %8.1f (goal: at least 20, at most 2 µs a reading)\n",
		c.Engines, c.Readings, 1e6*a, ours.cpu.Seconds(), ours.early, ours.late, 1e6*b, b*count, c.Of, agreed, tolerance, b/a)
	return err
}

// task is what Python reads.
type task struct {
	Power   float64         `json:"power"`
	Np      float64         `json:"np"`
	Terms   []coefficients  `json:"terms"`
	Engines []engineOfATask `json:"engines"`
}

// coefficients are a term of the baseline's polynomial with what it adds to ITT, Ng and fuel flow.
type coefficients struct {
	Name   string     `json:"name"`
	Values [3]float64 `json:"values"`
}

type engineOfATask struct {
	File   string    `json:"file"`
	Washes []float64 `json:"washes"` // days
}

// write writes the model and the sampled engines for Python.
func write(dir string, model *clean, engines []engine) error {
	p := model.fitted.Polynomial()
	out := task{Power: p.Power, Np: p.Np}
	for _, t := range p.Terms {
		out.Terms = append(out.Terms, coefficients{t.Name, [3]float64{t.Coefficients.ITT, t.Coefficients.Ng, t.Coefficients.Fuel}})
	}
	for i, e := range engines {
		name := fmt.Sprintf("engine%d.csv", i)
		out.Engines = append(out.Engines, engineOfATask{name, e.washDays()})
		if err := os.WriteFile(filepath.Join(dir, name), []byte(e.csv()), 0o600); err != nil {
			return err
		}
	}
	text, err := json.Marshal(out)
	if err != nil {
		return err
	}
	return os.WriteFile(filepath.Join(dir, "model.json"), text, 0o600)
}
