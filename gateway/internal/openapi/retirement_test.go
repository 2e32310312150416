package openapi

import (
	"strings"
	"testing"

	"coldsection.example/gateway/internal/retirement/retirementtest"
)

// What goes is marked in the description, with the days and what to use instead; what stays is not.
func TestTheDescriptionMarksWhatGoes(t *testing.T) {
	for _, c := range []struct{ method, field bool }{{true, false}, {false, true}, {false, false}} {
		going := retirementtest.Going()
		service := retirementtest.Service(t, going, nil)
		switch {
		case c.field:
			service = retirementtest.Service(t, nil, going)
		case !c.method:
			service = retirementtest.Service(t, nil, nil)
		}
		parameter, property := node{"name": "litres", "description": "How much."}, node{"type": "string"}
		operation := node{"description": "Washes.", "parameters": []any{node{"name": "engine"}, parameter}, "responses": node{"200": node{}}}
		retireOperation(operation, service.Methods().Get(0))
		retireFields(node{"properties": node{"litres": property}}, service.Methods().Get(0).Input())
		for name, of := range map[string]struct {
			node node
			want bool
		}{"the operation": {operation, c.method}, "its parameter": {parameter, c.field}, "the property": {property, c.field}} {
			text, _ := of.node["description"].(string)
			says := strings.Contains(text, "Deprecated since 2023-06-30; it may be missing from 2024-12-31 on. Use RinseEngine.")
			if (of.node["deprecated"] == true) != of.want || says != of.want {
				t.Errorf("%+v: %s is %v", c, name, of.node)
			}
		}
		if _, told := object(object(object(operation["responses"])["200"])["headers"])["Sunset"]; told != c.method {
			t.Errorf("%+v: the headers of %v", c, operation)
		}
	}
}
