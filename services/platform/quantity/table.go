package quantity

// table is the unit table. Factors are exact by definition: the inch is 25.4 mm, the avoirdupois pound 0.45359237 kg, the
// US gallon 231 in3, the imperial gallon 4.54609 L (NIST Handbook 44, Appendix C), standard gravity 9.80665 m/s2, the
// conventional millimetre and inch of mercury 133.322387415 Pa and 25.4 times that (NIST SP 811, Appendix B).
var table = []Unit{
	{Code: "L", Rec20: "LTR", Dimension: Volume, Label: "L", factor: rat("1")},
	{Code: "mL", Rec20: "MLT", Dimension: Volume, Label: "mL", factor: rat("1/1000")},
	{Code: "uL", Rec20: "4G", Dimension: Volume, Label: "µL", factor: rat("1/1000000")},
	{Code: "[gal_us]", Rec20: "GLL", Dimension: Volume, Label: "US gal", factor: rat("3.785411784")},
	{Code: "[qt_us]", Rec20: "QTL", Dimension: Volume, Label: "US qt", factor: rat("0.946352946")},
	{Code: "[pt_us]", Rec20: "PTL", Dimension: Volume, Label: "US pt", factor: rat("0.473176473")},
	{Code: "[foz_us]", Rec20: "OZA", Dimension: Volume, Label: "US fl oz", factor: rat("0.0295735295625")},
	{Code: "[gal_br]", Rec20: "GLI", Dimension: Volume, Label: "imp gal", factor: rat("4.54609")},
	{Code: "[qt_br]", Rec20: "QTI", Dimension: Volume, Label: "imp qt", factor: rat("1.1365225")},
	{Code: "[pt_br]", Rec20: "PTI", Dimension: Volume, Label: "imp pt", factor: rat("0.56826125")},
	{Code: "[foz_br]", Rec20: "OZI", Dimension: Volume, Label: "imp fl oz", factor: rat("0.0284130625")},

	{Code: "kg", Rec20: "KGM", Dimension: Mass, Label: "kg", factor: rat("1")},
	{Code: "g", Rec20: "GRM", Dimension: Mass, Label: "g", factor: rat("1/1000")},
	{Code: "[lb_av]", Rec20: "LBR", Dimension: Mass, Label: "lb", factor: rat("0.45359237")},
	{Code: "[oz_av]", Rec20: "ONZ", Dimension: Mass, Label: "oz", factor: rat("0.028349523125")},

	{Code: "kPa", Rec20: "KPA", Dimension: Pressure, Label: "kPa", factor: rat("1")},
	{Code: "Pa", Rec20: "PAL", Dimension: Pressure, Label: "Pa", factor: rat("1/1000")},
	{Code: "hPa", Rec20: "A97", Dimension: Pressure, Label: "hPa", factor: rat("1/10")},
	{Code: "bar", Rec20: "BAR", Dimension: Pressure, Label: "bar", factor: rat("100")},
	{Code: "[psi]", Rec20: "PS", Dimension: Pressure, Label: "psi", factor: poundPerSquareInch},
	{Code: "[in_i'Hg]", Rec20: "F79", Dimension: Pressure, Label: "inHg", factor: rat("3.386388640341")},
	{Code: "mm[Hg]", Rec20: "HN", Dimension: Pressure, Label: "mmHg", factor: rat("0.133322387415")},

	{Code: "Cel", Rec20: "CEL", Dimension: Temperature, Label: "°C", factor: rat("1")},
	{Code: "[degF]", Rec20: "FAH", Dimension: Temperature, Label: "°F", factor: rat("5/9"), offset: rat("-32")},
	{Code: "K", Rec20: "KEL", Dimension: Temperature, Label: "K", factor: rat("1"), offset: rat("-273.15")},

	{Code: "N.m", Rec20: "NU", Dimension: Torque, Label: "N·m", factor: rat("1")},
	{Code: "[ft_i].[lbf_av]", Rec20: "M92", Dimension: Torque, Label: "lbf·ft", factor: rat("1.3558179483314004")},

	{Code: "kW", Rec20: "KWT", Dimension: Power, Label: "kW", factor: rat("1")},
	{Code: "W", Rec20: "WTT", Dimension: Power, Label: "W", factor: rat("1/1000")},
	{Code: "[HP]", Rec20: "K43", Dimension: Power, Label: "hp", factor: rat("0.74569987158227022")},

	{Code: "[kn_i]", Rec20: "KNT", Dimension: Speed, Label: "kt", factor: rat("1")},
	{Code: "m/s", Rec20: "MTS", Dimension: Speed, Label: "m/s", factor: rat("3600/1852")},

	{Code: "{rpm}", Rec20: "RPM", Dimension: Rotation, Label: "rpm", factor: rat("1")},

	{Code: "kg/h", Rec20: "E93", Dimension: MassFlow, Label: "kg/h", factor: rat("1")},
	{Code: "[lb_av]/h", Rec20: "4U", Dimension: MassFlow, Label: "lb/h", factor: rat("0.45359237")},

	{Code: "L/min", Rec20: "L2", Dimension: VolumeFlow, Label: "L/min", factor: rat("1")},
	{Code: "mL/s", Rec20: "40", Dimension: VolumeFlow, Label: "mL/s", factor: rat("0.06")},
	{Code: "[gal_us]/min", Rec20: "G2", Dimension: VolumeFlow, Label: "US gal/min", factor: rat("3.785411784")},

	{Code: "m", Rec20: "MTR", Dimension: Length, Label: "m", factor: rat("1")},
	{Code: "mm", Rec20: "MMT", Dimension: Length, Label: "mm", factor: rat("1/1000")},
	{Code: "[in_i]", Rec20: "INH", Dimension: Length, Label: "in", factor: rat("0.0254")},
	{Code: "[ft_i]", Rec20: "FOT", Dimension: Length, Label: "ft", factor: rat("0.3048")},

	{Code: "s", Rec20: "SEC", Dimension: Time, Label: "s", factor: rat("1")},
	{Code: "min", Rec20: "MIN", Dimension: Time, Label: "min", factor: rat("60")},
	{Code: "h", Rec20: "HUR", Dimension: Time, Label: "h", factor: rat("3600")},

	{Code: "uS/cm", Rec20: "G42", Dimension: Conductivity, Label: "µS/cm", factor: rat("1")},
	{Code: "mS/m", Rec20: "", Dimension: Conductivity, Label: "mS/m", factor: rat("10")},
	{Code: "mS/cm", Rec20: "H61", Dimension: Conductivity, Label: "mS/cm", factor: rat("1000")},
	{Code: "S/m", Rec20: "D10", Dimension: Conductivity, Label: "S/m", factor: rat("10000")},

	{Code: "%", Rec20: "P1", Dimension: Ratio, Label: "%", factor: rat("1")},
	{Code: "[ppm]", Rec20: "59", Dimension: Ratio, Label: "ppm", factor: rat("1/10000")},

	{Code: "[pH]", Rec20: "Q30", Dimension: Acidity, Label: "pH", factor: rat("1")},

	{Code: "kg/L", Rec20: "B35", Dimension: Density, Label: "kg/L", factor: rat("1")},
	{Code: "mg/L", Rec20: "M1", Dimension: Density, Label: "mg/L", factor: rat("1/1000000")},
	{Code: "ug/L", Rec20: "H29", Dimension: Density, Label: "µg/L", factor: rat("1/1000000000")},

	{Code: "Ohm", Rec20: "OHM", Dimension: Resistance, Label: "Ω", factor: rat("1")},
	{Code: "MOhm", Rec20: "B75", Dimension: Resistance, Label: "MΩ", factor: rat("1000000")},
	{Code: "A", Rec20: "AMP", Dimension: Current, Label: "A", factor: rat("1")},
	{Code: "V", Rec20: "VLT", Dimension: Voltage, Label: "V", factor: rat("1")},
	{Code: "mV", Rec20: "2Z", Dimension: Voltage, Label: "mV", factor: rat("1/1000")},

	{Code: "{each}", Rec20: "EA", Dimension: Count, Label: "each", factor: rat("1")},
}

// poundPerSquareInch is 0.45359237 kg times 9.80665 m/s2 over 0.0254 m squared, in kPa.
var poundPerSquareInch = rat("4448221615260500/645160000000000")
