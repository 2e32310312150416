package fleetgen

import (
	"bufio"
	"encoding/json"
	"fmt"
	"io"
	"math"
	"os"
	"path/filepath"
	"strconv"
)

// minute is how a log writes a time.
const minute = "2006-01-02T15:04Z"

// Write writes the four files into a folder, which it makes.
func (f *Fleet) Write(folder string) error {
	if err := os.MkdirAll(folder, 0o755); err != nil {
		return err
	}
	for name, write := range map[string]func(io.Writer) error{
		"baseline.csv": f.writeBaseline, "readings.csv": f.writeReadings, "events.csv": f.writeEvents, "truth.json": f.writeTruth,
	} {
		if err := writeFile(filepath.Join(folder, name), write); err != nil {
			return err
		}
	}
	return nil
}

func writeFile(name string, write func(io.Writer) error) error {
	file, err := os.Create(name)
	if err != nil {
		return err
	}
	defer file.Close()
	w := bufio.NewWriter(file)
	if err := write(w); err != nil {
		return err
	}
	if err := w.Flush(); err != nil {
		return err
	}
	return file.Close()
}

func (f *Fleet) writeBaseline(w io.Writer) error {
	_, err := fmt.Fprintln(w, "pressure_altitude_ft,oat_c,cas_kt,np_rpm,torque_lbf_ft,shp,ng_pct,itt_c,fuel_flow_lb_h")
	for _, r := range f.Baseline {
		horsepower := r.Torque * r.Np * 2 * math.Pi / 33000
		if _, err := fmt.Fprintf(w, "%g,%g,%g,%g,%g,%.2f,%g,%g,%g\n", r.Altitude, r.OAT, r.Airspeed, r.Np, r.Torque, horsepower, r.Ng, r.ITT, r.Fuel); err != nil {
			return err
		}
	}
	return err
}

func (f *Fleet) writeReadings(w io.Writer) error {
	_, err := fmt.Fprintln(w, "engine_serial,time_utc,phase,pressure_altitude_ft,oat_c,cas_kt,torque_lbf_ft,np_rpm,ng_pct,itt_c,fuel_flow_lb_h,engine_hours")
	for _, r := range f.Readings {
		ng := ""
		if r.Ng > 0 {
			ng = strconv.FormatFloat(r.Ng, 'f', 1, 64)
		}
		if _, err := fmt.Fprintf(w, "%s,%s,cruise,%.0f,%.1f,%.0f,%.0f,%.0f,%s,%.0f,%.0f,%.1f\n", r.Serial, r.Time.Format(minute), r.Altitude, r.OAT, r.Airspeed,
			r.Torque, r.Np, ng, r.ITT, r.Fuel, r.Hours); err != nil {
			return err
		}
	}
	return err
}

func (f *Fleet) writeEvents(w io.Writer) error {
	_, err := fmt.Fprintln(w, "engine_serial,time_utc,event,engine_hours")
	for _, e := range f.Truth.Engines {
		for _, wash := range e.Washes {
			if _, err := fmt.Fprintf(w, "%s,%s,recovery_wash,%.1f\n", e.Serial, wash.Time.Format(minute), wash.Hours); err != nil {
				return err
			}
		}
	}
	return err
}

func (f *Fleet) writeTruth(w io.Writer) error {
	encoder := json.NewEncoder(w)
	encoder.SetIndent("", " ")
	return encoder.Encode(f.Truth)
}
