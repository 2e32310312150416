package cases

import (
	"math"
	"strings"

	"coldsection.example/services/performance/internal/atmosphere"
	"coldsection.example/services/performance/internal/baseline"
	"coldsection.example/services/performance/internal/gas"
	"coldsection.example/services/performance/internal/heater"
	"coldsection.example/services/performance/internal/thermocouple"
	"coldsection.example/services/performance/internal/trim"
	"coldsection.example/services/platform/quantity"
)

// unit converts as readings do.
func unit(text, code string) float64 { return quantity.MustParse(text, code).Canonical() }

func isa(r *row) {
	h := r.in("geopotential_m")
	r.near("temp_k", ok(atmosphere.Temperature(h))(r), 0.005)
	r.relative("pressure_pa", ok(atmosphere.Pressure(h))(r), 2e-5)
}

func pressureAltitude(r *row) { r.near("alt_m", ok(atmosphere.Altitude(r.in("pressure_pa")))(r), 0.5) }

func mach(r *row) {
	p := ok(atmosphere.Pressure(unit(r.given["pressure_altitude_ft"], "[ft_i]")))(r)
	r.near("mach", ok(atmosphere.Mach(r.in("cas_kt"), p))(r), 1e-4)
}

func ram(r *row) {
	temperature, pressure, err := atmosphere.Stagnation(r.in("mach"), r.in("recovery"))
	if err != nil {
		r.t.Fatal(err)
	}
	r.near("T_ratio", temperature, 1e-4)
	r.near("p_ratio", pressure, 1e-4)
}

// corrected refers a reading as the service does, with ideal exponents; the polynomial only has to be there.
func corrected(r *row) {
	terms := []baseline.Term{{Name: "1", Coefficients: baseline.Values{ITT: 1, Ng: 1, Fuel: 1}}, {Name: "x"}}
	model := ok(baseline.Of(baseline.Polynomial{Power: 1, Np: 1, High: 1e6, Terms: terms}, baseline.Ideal))(r)
	x := ok(model.Expect(baseline.Point{
		Altitude: unit(r.given["alt_ft"], "[ft_i]"), OAT: r.in("oat_c"), Torque: unit(r.given["torque_lbf_ft"], "[ft_i].[lbf_av]"), Np: r.in("np_rpm"),
		ITT: r.in("itt_c"), Ng: r.in("ng_pct"), Fuel: unit(r.given["fuel_lb_h"], "[lb_av]/h"),
	}))(r)
	r.relative("theta", x.Condition.Theta, 1e-4)
	r.relative("delta", x.Condition.Delta, 1e-4)
	r.relative("ng_corr", x.Referred.Ng, 1e-4)
	r.relative("itt_corr_c", x.Referred.ITT-273.15, 1e-4)
	r.relative("fuel_corr", x.Referred.Fuel/unit("1", "[lb_av]/h"), 1e-4)
	r.relative("shp_corr", x.ReferredPower/unit("1", "[HP]"), 1e-4)
	r.relative("torque_corr", r.in("torque_lbf_ft")/x.Condition.Delta, 1e-4)
}

func power(r *row) {
	p := baseline.Point{Torque: unit(r.given["torque_lbf_ft"], "[ft_i].[lbf_av]"), Np: r.in("rpm")}
	r.near("kw", p.Power(), 0.01)
	r.near("shp", p.Power()/unit("1", "[HP]"), 0.01)
}

func airTable(r *row) {
	air := gas.Air()
	at, zero := ok(air.At(r.in("temp_k")))(r), ok(air.At(300))(r)
	r.near("h_minus_h300_kj_kg", (at.H-zero.H)/1000, 0.2)
	r.near("s0_minus_s0300", (at.S-zero.S)/1000, 0.0005)
	r.relative("pr_over_pr300", math.Exp((at.S-zero.S)/air.R()), 0.0012)
}

func cpGamma(r *row) {
	air := gas.Air()
	s := ok(air.At(r.in("temp_k")))(r)
	r.near("cp", s.Cp, 0.5)
	r.near("gamma", air.Gamma(s), 2e-4) // 0.5 of 1,004 in cp is 8e-5 of it, and 2e-4 in gamma
}

func compressorWork(r *row) {
	air := gas.Air()
	from := ok(air.At(r.in("t1_k")))(r)
	to := ok(air.Compress(from, r.in("p2_kpa")/r.in("p1_kpa"), r.in("isentropic_eff")))(r)
	r.near("t2_k", to.T, 1)
	r.near("power_kw", r.in("mass_flow_kg_s")*(to.H-from.H)/1000, 0.3)
}

func brayton(r *row) {
	air, compressor, turbine, kelvin, share := gas.Air(), 1.0, 1.0, 1.5, 0.003
	if r.quantity == "brayton_actual" {
		compressor, turbine, kelvin, share = r.in("eta_c"), r.in("eta_t"), 2, 0.004
	}
	one, three := ok(air.At(r.in("t1_k")))(r), ok(air.At(r.in("t3_k")))(r)
	two, four := ok(air.Compress(one, r.in("pr"), compressor))(r), ok(air.Expand(three, r.in("pr"), turbine))(r)
	if r.quantity == "brayton_ideal" {
		r.near("t2_k", two.T, kelvin)
	}
	r.near("t4_k", four.T, kelvin)
	r.near("back_work_ratio", (two.H-one.H)/(three.H-four.H), share)
	r.near("efficiency", (three.H-four.H-two.H+one.H)/(three.H-two.H), share)
}

func compressorEfficiency(r *row) {
	e := ok(gas.CompressorEfficiency(r.in("t1_k"), r.in("t2_k"), r.in("pressure_ratio")))(r)
	r.near("isentropic", e.Isentropic, 5e-4)
	r.near("polytropic", e.Polytropic, 5e-4)
	r.near("t2s_k", e.IdealExit, 0.01)
}

func typeK(r *row) {
	cold := ok(thermocouple.EMF(r.in("ref_junction_c")))(r)
	r.near("emf_mv", ok(thermocouple.EMF(r.in("temp_c")))(r)-cold, 0.0015)
}

func typeKInverse(r *row) {
	r.near("temp_c", ok(thermocouple.Measured(r.in("emf_mv"), r.in("ref_junction_c")))(r), 0.05)
}

// parallelTrim reads its harness out of the words: probes, °C, leg, junction, trim, and the trim's own junction.
func parallelTrim(r *row) {
	n := numbers(r.inputs)
	branch := trim.Branch{Topology: trim.Absent}
	if !strings.Contains(r.inputs, "trim None") {
		branch = trim.Branch{Topology: trim.Across, Resistance: n[4]}
	}
	if strings.Contains(r.inputs, "own type K junction") {
		branch.Thermocouple, branch.Temperature = true, n[5]
	}
	r.near("indicated_c", ok(trim.Equal(int(n[0]), n[2], n[1], n[3]).Indicated(branch))(r).Indicated, 0.05)
}

func heaterRating(r *row) {
	f := ok(heater.Data{Power: r.in("rated_power_w"), Voltage: r.in("bus_v")}.Expect())(r)
	r.near("resistance_ohm", f.Resistance, 1e-3)
	r.near("current_a", f.Current, 1e-3)
}
