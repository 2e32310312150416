package agentdoor

import (
	"slices"
	"strings"

	"google.golang.org/genproto/googleapis/api/annotations"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
)

// units are what the key of a number ends in, or is.
var units = []string{
	"c", "c_per_100h", "k", "kpa", "pct", "percent", "kg_h", "nm", "rpm", "m", "mm", "kt", "kw", "ohm", "mohm", "v", "a", "w", "l", "l_min", "mg_l", "us_cm", "kg_l",
	"seconds", "second", "minutes", "hours", "days", "months", "cycles", "landings", "starts", "flights",
	"count", "number", "fraction", "per_day", "in_unit_code", "in_normalised_unit", "in_seconds_for_hours_else_in_unit",
}

// keyed are numbers whose name in the contract leaves the unit to a comment.
var keyed = map[string]string{
	"Explained.value":        "value_in_unit_code",
	"Measurement.value":      "value_in_unit_code",
	"TraceSample.value":      "value_in_unit_code", // that stands beside the samples
	"WaterCheck.value":       "value_in_unit_code",
	"HeaterFinding.lowest":   "lowest_in_normalised_unit",
	"HeaterFinding.highest":  "highest_in_normalised_unit",
	"IntervalLimit.amount":   "amount_in_seconds_for_hours_else_in_unit",
	"Remaining.due_counter":  "due_counter_in_seconds_for_hours_else_in_unit",
	"Remaining.left":         "left_in_seconds_for_hours_else_in_unit",
	"HoursRange.p10":         "p10_hours",
	"HoursRange.p50":         "p50_hours",
	"HoursRange.p90":         "p90_hours",
	"LifeStatus.cycle_limit": "limit_cycles",
	"Cause.probability":      "probability_fraction",
}

// numbered are the endings of numbers that count or place something.
var numbered = []struct{ ending, unit string }{
	{"revision", "number"}, {"version", "number"}, {"position", "number"}, {"depth", "count"}, {"runs", "count"}, {"parts", "count"},
	{"readings_held", "count"}, {"readings_used", "count"}, {"junctions", "count"}, {"severity", "number"},
}

// keyOf is a field's key in an answer: its name with the unit. unit is that of the message around it, when it has one.
func keyOf(f protoreflect.FieldDescriptor, unit string) string {
	name := string(f.Name())
	if !numeric(f) || hasUnit(name) {
		return name
	}
	if key, ok := keyed[string(f.Parent().Name())+"."+name]; ok {
		return key
	}
	for _, n := range numbered {
		if strings.HasSuffix(name, n.ending) {
			return name + "_" + n.unit
		}
	}
	if unit != "" {
		return name + "_" + unit
	}
	return name
}

// unitOf is the unit that a message's field hands to the numbers in it, such as "c" of itt_deviation_c.
func unitOf(f protoreflect.FieldDescriptor) string {
	if f.Message() == nil || f.Message().Name() != "Interval" {
		return ""
	}
	for _, u := range slices.Backward(units) {
		if strings.HasSuffix(string(f.Name()), "_"+u) {
			return u
		}
	}
	return ""
}

func hasUnit(key string) bool {
	return slices.ContainsFunc(units, func(u string) bool { return key == u && len(u) > 1 || strings.HasSuffix(key, "_"+u) })
}

func numeric(f protoreflect.FieldDescriptor) bool {
	switch f.Kind() {
	case protoreflect.BoolKind, protoreflect.EnumKind, protoreflect.StringKind, protoreflect.BytesKind, protoreflect.MessageKind, protoreflect.GroupKind:
		return false
	default:
		return true
	}
}

// tokens are the fields of text that the suite itself writes or checks, beside names of resources.
var tokens = []string{
	"etag", "next_page_token", "unit_code", "base_unit_code", "cost_currency_code", "time_zone", "allowed_verbs", "driving_unit",
	"Quantity.value", "sha256", "content_hash", "requirement_code", "engine", "engines", "aircraft", "engine_model", "task_card", "requirement", "requirements",
	"subject", "item", "lot", "location", "work_order", "work_orders", "reading", "person", "assignees", "station", "source_lot", "target_lot", "movement",
	"latest_water_test", "last_accomplishment", "number", "short_code", "owner", "step", "host", "regime",
}

// trusted says whether a text is made or checked by the suite: a name of a resource, a code. Any other text was written by
// somebody, or quotes somebody.
func trusted(f protoreflect.FieldDescriptor) bool {
	reference, _ := proto.GetExtension(f.Options(), annotations.E_ResourceReference).(*annotations.ResourceReference)
	behaviours, _ := proto.GetExtension(f.Options(), annotations.E_FieldBehavior).([]annotations.FieldBehavior)
	return reference.GetType() != "" || slices.Contains(behaviours, annotations.FieldBehavior_IDENTIFIER) ||
		slices.Contains(tokens, string(f.Name())) || slices.Contains(tokens, string(f.Parent().Name())+"."+string(f.Name()))
}

// plain says whether a text can be nothing but a name or a code; one that can't is kept apart whatever its field.
func plain(text string) bool {
	const most = 400
	return len(text) <= most && !strings.ContainsFunc(text, func(r rune) bool {
		return !strings.ContainsRune("abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789-_./:@+%=[]{}()~'", r)
	})
}
