// Package cycle is a free-turbine engine at work: inlet, compressor, burner, gas-generator turbine, power turbine and
// exhaust matched to each other at any altitude, temperature, speed and setting, whole or with worn, dirty or leaking parts.
//
// Stations: 1 inlet total, 2 compressor face, 3 compressor exit, 4 burner exit, 45 between the turbines (where ITT is read),
// 5 power-turbine exit, 8 exhaust. Units are K, Pa, kg/s, W inside and °C, %, kg/h, rpm where a cockpit has them.
//
// Five unknowns (relative corrected speed, map parameter beta, burner exit temperature, both turbines' pressure ratios) meet
// five conditions (flow through both turbines and the exhaust, work of the gas generator, the setting) by damped Newton
// steps. A point that does not match is an error, never a half-finished number. Gas properties come from package gas; the
// equations are the usual ones of off-design matching, with Stodola's ellipse for the turbines' flow. Humidity and Reynolds
// number are left out. All engines here are invented: for demonstration only.
package cycle

// Data are an engine's design point, the maps scaled through it, and what is lost on the way.
type Data struct {
	Name                   string
	AirFlow                float64 // kg/s at the compressor face, sea level standard day
	PressureRatio          float64 // of the compressor
	CompressorEfficiency   float64 // isentropic, as the others
	BurnerExit             float64 // K
	BurnerEfficiency       float64
	BurnerLoss             float64 // share of pressure lost in the burner
	GasGeneratorEfficiency float64 // of the gas-generator turbine
	PowerTurbineEfficiency float64
	SpoolMechanical        float64 // share of the gas-generator turbine's work that arrives at the compressor
	OutputMechanical       float64 // share of the power turbine's work that arrives at the propeller
	Accessories            float64 // W taken from the gas generator
	Cooling                float64 // share of the compressor's air that goes round the gas-generator turbine
	InletLoss              float64 // share of pressure lost before the compressor
	ExhaustLoss            float64 // share of pressure lost after the power turbine
	ExhaustRatio           float64 // total pressure at the exhaust over ambient
	Speed                  float64 // % Ng at the design point
	PropellerSpeed         float64 // rpm at the design point
	GasGeneratorSpeedLoss  float64 // loss of efficiency per square of the relative velocity ratio's miss
	PowerTurbineSpeedLoss  float64
	Compressor             Map
}

// Map is a compressor map in closed form, relative to the design point at speed 1 and beta 0; beta grows towards surge:
// flow = n^Flow·(1 − FlowBeta·β), pressure rise = n^Rise·(1 + RiseBeta·β − RiseCurve·β²), efficiency = 1 −
// SpeedLoss·(n − BestSpeed)² − BetaLoss·(β − BestBeta)², scaled to 1 at the design point.
type Map struct {
	Flow, FlowBeta, Rise, RiseBeta, RiseCurve            float64
	SpeedLoss, BestSpeed, BetaLoss, BestBeta, MaxBetaAbs float64
}

func (m *Map) efficiency(n, beta float64) float64 {
	return 1 - m.SpeedLoss*(n-m.BestSpeed)*(n-m.BestSpeed) - m.BetaLoss*(beta-m.BestBeta)*(beta-m.BestBeta)
}

// Health is what became of an engine, as changes relative to whole: −0.01 is one per cent less. The zero value is whole.
type Health struct {
	CompressorEfficiency, CompressorFlow     float64
	GasGeneratorEfficiency, GasGeneratorFlow float64
	PowerTurbineEfficiency, PowerTurbineFlow float64
	BurnerEfficiency                         float64
	Bleed                                    float64 // share of the compressor's air that leaks away behind it, 0 to 0.2
	InletLoss                                float64 // share of pressure lost before the compressor besides the design's
}

// Demonstration are invented engines of the 400 to 700 kW class with different design points and maps, so that what is learned
// on one can be judged on another. For demonstration only; figures are of textbook size, common practice without a source.
func Demonstration() []Data {
	return []Data{
		{
			Name: "Demonstration engine A", AirFlow: 3.10, PressureRatio: 7.3, CompressorEfficiency: 0.785, BurnerExit: 1245,
			BurnerEfficiency: 0.985, BurnerLoss: 0.045, GasGeneratorEfficiency: 0.852, PowerTurbineEfficiency: 0.868, SpoolMechanical: 0.99,
			OutputMechanical: 0.975, Accessories: 7000, Cooling: 0.03, InletLoss: 0.01, ExhaustLoss: 0.015, ExhaustRatio: 1.035, Speed: 100,
			PropellerSpeed: 1700, GasGeneratorSpeedLoss: 0.35, PowerTurbineSpeedLoss: 0.45,
			Compressor: Map{Flow: 1.75, FlowBeta: 0.06, Rise: 2.55, RiseBeta: 0.10, RiseCurve: 0.03, SpeedLoss: 0.55, BestSpeed: 0.92, BetaLoss: 0.035, BestBeta: 0.1, MaxBetaAbs: 4},
		},
		{
			Name: "Demonstration engine B", AirFlow: 2.60, PressureRatio: 6.6, CompressorEfficiency: 0.775, BurnerExit: 1215,
			BurnerEfficiency: 0.98, BurnerLoss: 0.05, GasGeneratorEfficiency: 0.845, PowerTurbineEfficiency: 0.86, SpoolMechanical: 0.988,
			OutputMechanical: 0.97, Accessories: 6000, Cooling: 0.025, InletLoss: 0.012, ExhaustLoss: 0.02, ExhaustRatio: 1.03, Speed: 99,
			PropellerSpeed: 1800, GasGeneratorSpeedLoss: 0.30, PowerTurbineSpeedLoss: 0.50,
			Compressor: Map{Flow: 1.95, FlowBeta: 0.08, Rise: 2.75, RiseBeta: 0.08, RiseCurve: 0.02, SpeedLoss: 0.80, BestSpeed: 0.95, BetaLoss: 0.05, BestBeta: 0, MaxBetaAbs: 4},
		},
		{
			Name: "Demonstration engine C", AirFlow: 3.55, PressureRatio: 8.4, CompressorEfficiency: 0.795, BurnerExit: 1280,
			BurnerEfficiency: 0.99, BurnerLoss: 0.04, GasGeneratorEfficiency: 0.86, PowerTurbineEfficiency: 0.875, SpoolMechanical: 0.99,
			OutputMechanical: 0.98, Accessories: 8500, Cooling: 0.04, InletLoss: 0.008, ExhaustLoss: 0.012, ExhaustRatio: 1.045, Speed: 101,
			PropellerSpeed: 1600, GasGeneratorSpeedLoss: 0.40, PowerTurbineSpeedLoss: 0.40,
			Compressor: Map{Flow: 1.60, FlowBeta: 0.05, Rise: 2.40, RiseBeta: 0.13, RiseCurve: 0.04, SpeedLoss: 0.45, BestSpeed: 0.90, BetaLoss: 0.03, BestBeta: 0.2, MaxBetaAbs: 4},
		},
		{
			Name: "Demonstration engine D", AirFlow: 2.95, PressureRatio: 7.9, CompressorEfficiency: 0.78, BurnerExit: 1260,
			BurnerEfficiency: 0.985, BurnerLoss: 0.045, GasGeneratorEfficiency: 0.855, PowerTurbineEfficiency: 0.865, SpoolMechanical: 0.99,
			OutputMechanical: 0.975, Accessories: 6500, Cooling: 0.03, InletLoss: 0.01, ExhaustLoss: 0.015, ExhaustRatio: 1.04, Speed: 98.5,
			PropellerSpeed: 1900, GasGeneratorSpeedLoss: 0.35, PowerTurbineSpeedLoss: 0.45,
			Compressor: Map{Flow: 1.85, FlowBeta: 0.10, Rise: 2.65, RiseBeta: 0.06, RiseCurve: 0.03, SpeedLoss: 0.7, BestSpeed: 0.94, BetaLoss: 0.06, BestBeta: 0, MaxBetaAbs: 4},
		},
	}
}
