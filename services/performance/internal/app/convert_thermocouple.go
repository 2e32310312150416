package app

import (
	"context"
	"fmt"

	commonv1 "coldsection.example/proto/coldsection/common/v1"
	performancev1 "coldsection.example/proto/coldsection/performance/v1"
	"coldsection.example/services/performance/internal/thermocouple"
	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/quantity"
)

// ConvertThermocouple converts between temperature and voltage of a type K thermocouple.
func (*App) ConvertThermocouple(_ context.Context, req *performancev1.ConvertThermocoupleRequest) (*performancev1.ConvertThermocoupleResponse, error) {
	junction := 0.0
	if req.GetJunctionTemperature() != nil {
		var err error
		if junction, err = measured("junction_temperature", req.GetJunctionTemperature(), quantity.Temperature); err != nil {
			return nil, err
		}
	}
	cold, err := thermocouple.EMF(junction)
	if err != nil {
		return nil, beyondTypeK("junction_temperature", err)
	}
	if req.GetVoltage() != nil {
		volts, err := measured("voltage", req.GetVoltage(), quantity.Voltage)
		if err != nil {
			return nil, err
		}
		t, err := thermocouple.Measured(1000*volts, junction)
		if err != nil {
			return nil, beyondTypeK("voltage", err)
		}
		return converted(t, 1000*volts, cold, junction), nil
	}
	if req.GetTemperature() == nil {
		return nil, fault.Invalid("temperature", "FIELD_INVALID", "Neither a temperature nor a voltage is given. Give one of them.")
	}
	t, err := measured("temperature", req.GetTemperature(), quantity.Temperature)
	if err != nil {
		return nil, err
	}
	hot, err := thermocouple.EMF(t)
	if err != nil {
		return nil, beyondTypeK("temperature", err)
	}
	return converted(t, hot-cold, cold, junction), nil
}

func beyondTypeK(field string, err error) error {
	return fault.Invalid(field, "TEMPERATURE_OUT_OF_RANGE", "%s. Correct it.", err)
}

func converted(t, millivolts, cold, junction float64) *performancev1.ConvertThermocoupleResponse {
	const hand = "E(%.6g °C) = %.6g mV; E(%.6g °C) = %.6g mV of the reference junction; voltages add, temperatures do not"
	formula := fmt.Sprintf(hand, t, millivolts+cold, junction, cold)
	return &performancev1.ConvertThermocoupleResponse{
		Temperature: step("Temperature", t, "Cel", formula, typeK),
		Voltage:     &commonv1.Explained{Label: "Voltage", Value: millivolts, UnitCode: "mV", Formula: formula, Source: typeK},
	}
}
