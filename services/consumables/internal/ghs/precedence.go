package ghs

import "slices"

// Statements that the exclamation mark stands for (UN GHS annex 1, from memory), and which of them are irritation of skin or eyes and
// sensitization of the skin.
var (
	exclaimed  = []string{"H302", "H312", "H332", "H315", "H317", "H319", "H335", "H336", "H420"}
	irritation = []string{"H315", "H319"}
	skin       = []string{"H315", "H317", "H319"}
)

// Precedence leaves out the exclamation mark where a graver pictogram says more (UN GHS 1.4.10.5.3.1, number from memory): beside the skull
// always; beside corrosion of skin or eyes where it stands for irritation of them only; beside the health hazard for what
// sensitises the airways where it stands for that or for what sensitises the skin only. Without statements that say what it stands
// for it stays, but for the skull.
func Precedence(pictograms, statements []string) []string {
	var codes, stands []string
	for _, s := range statements {
		if len(s) >= 4 {
			codes = append(codes, s[:4])
		}
	}
	for _, code := range codes {
		if slices.Contains(exclaimed, code) {
			stands = append(stands, code)
		}
	}
	only := func(of []string) bool {
		return len(stands) > 0 && !slices.ContainsFunc(stands, func(code string) bool { return !slices.Contains(of, code) })
	}
	has := func(pictogram string) bool { return slices.Contains(pictograms, pictogram) }
	corrodes := has("GHS05") && (slices.Contains(codes, "H314") || slices.Contains(codes, "H318"))
	airways := has("GHS08") && slices.Contains(codes, "H334")
	graver := has("GHS06") || corrodes && only(irritation) || airways && only(skin)
	return slices.DeleteFunc(slices.Clone(pictograms), func(p string) bool { return graver && p == "GHS07" })
}
