// Package label says what a container's label must say and on which sizes labels come. It draws nothing.
//
// A container that outlives the shift of the person who filled it needs a label for everybody else: what it is, how long it
// may be used, and its hazards (29 CFR 1910.1200(f)(6) and the exception in (c); EU: CLP 1272/2008). The statements and
// pictogram codes are the item's; for a mix without any of its own, those of what it was mixed from, because dilution does
// not take a hazard away.
package label

import (
	"slices"
	"strconv"
	"strings"

	"coldsection.example/services/consumables/internal/ghs"
)

// Medium is a size that labels come in, in millimetres.
type Medium struct {
	ID            string
	Name          string
	Width, Height float64
}

// Media are the sizes known here, the smallest first. They are sizes that label rolls and sheets are commonly sold in: common
// practice, no source; A7 is of ISO 216.
var Media = []Medium{
	{ID: "62x29", Name: "62 mm by 29 mm, small bottles", Width: 62, Height: 29},
	{ID: "89x36", Name: "89 mm by 36 mm, bottles", Width: 89, Height: 36},
	{ID: "100x50", Name: "100 mm by 50 mm, canisters", Width: 100, Height: 50},
	{ID: "105x74", Name: "105 mm by 74 mm (A7), drums", Width: 105, Height: 74},
	{ID: "100x150", Name: "100 mm by 150 mm, drums with many hazards", Width: 100, Height: 150},
}

// Find looks a medium up by its id.
func Find(id string) (Medium, bool) {
	i := slices.IndexFunc(Media, func(m Medium) bool { return m.ID == id })
	if i < 0 {
		return Medium{}, false
	}
	return Media[i], true
}

// Part is what went into a mix.
type Part struct{ Item, Code, Amount string }

// Facts are what is known of a lot, as text.
type Facts struct {
	Item, PartNumber, Spec string
	Code                   string // our short code
	MakerLot               string
	State, HoldReason      string
	LastUse                string // the last usable day or instant with its zone; empty when there is none
	LifeRule               string // why then
	LifeKnown              bool
	Opened                 string // when it was opened; empty when it was not
	Parts                  []Part
	Ratio                  string // of a mix, as measured
	Recipe                 string // that a mix was made by, with its revision and document
	Made                   string // that and when it was mixed, or filled from another container
	Hazards                []string
	Pictograms             []string
	HazardsOfParts         bool // they are those of what it was mixed from
	Signal                 ghs.Word
	SafetySheet            string
	Storage                string // the temperatures to store it at
	Demonstration          bool
	Printed                string
}

// Line is a line of a label.
type Line struct {
	Text string
	Bold bool
}

// Content is what a label says: the state as a headline, the short code, and the lines below.
type Content struct {
	Headline string
	Stop     bool // the headline forbids use
	Code     string
	Lines    []Line
	// Pictograms are the codes of those to draw, each once.
	Pictograms []string
}

// Of puts the facts in words. Every label says whether the container may be used; only USABLE allows it, as of the time of
// printing, which is why it asks for a scan before use.
func Of(f Facts) Content {
	c := Content{Code: f.Code, Headline: "USABLE"}
	if f.State != "USABLE" || !f.LifeKnown {
		c.Stop, c.Headline = true, headline(f)
	}
	c.add(true, f.Item)
	c.add(false, joined(" · ", f.PartNumber, f.Spec))
	c.add(false, labelled("Why held: ", f.HoldReason))
	c.add(true, labelled("Lot ", f.MakerLot))
	c.add(true, lastUse(f))
	c.add(false, opened(f))
	c.mix(f)
	c.add(false, f.Storage)
	c.hazards(f)
	if f.Demonstration {
		c.add(true, "DEMONSTRATION ONLY – not for use on an engine")
	}
	c.add(false, "Printed "+f.Printed+" · scan before use")
	return c
}

// headline says what forbids the use.
func headline(f Facts) string {
	switch f.State {
	case "USABLE":
		return "NO USE-BY – DO NOT USE"
	case "EMPTIED":
		return "EMPTIED"
	default:
		return f.State + " – DO NOT USE"
	}
}

func (c *Content) add(bold bool, text string) {
	if text != "" {
		c.Lines = append(c.Lines, Line{Text: text, Bold: bold})
	}
}

func lastUse(f Facts) string {
	switch {
	case !f.LifeKnown:
		return "Use by: unknown"
	case f.LastUse == "":
		return "Use by: no life limit"
	case f.LifeRule == "" || strings.HasPrefix(f.LifeRule, "use by "):
		return "Use by " + f.LastUse
	default:
		return "Use by " + f.LastUse + " (" + f.LifeRule + ")"
	}
}

// opened leaves room to write the day by hand on a sealed container.
func opened(f Facts) string {
	if f.Opened != "" {
		return "Opened " + f.Opened
	}
	if len(f.Parts) > 0 {
		return ""
	}
	return "Opened: ________________"
}

func (c *Content) mix(f Facts) {
	if len(f.Parts) == 0 {
		return
	}
	c.add(false, f.Made)
	c.add(false, labelled("Recipe: ", f.Recipe))
	c.add(true, f.Ratio)
	for _, p := range f.Parts {
		c.add(false, "Of "+joined(" ", p.Amount, p.Item, p.Code))
	}
}

// pictogramNames are those of the GHS, annex 1, from memory.
var pictogramNames = map[string]string{
	"GHS01": "exploding bomb", "GHS02": "flame", "GHS03": "flame over circle", "GHS04": "gas cylinder", "GHS05": "corrosion",
	"GHS06": "skull and crossbones", "GHS07": "exclamation mark", "GHS08": "health hazard", "GHS09": "environment",
}

func (c *Content) hazards(f Facts) {
	if len(f.Hazards)+len(f.Pictograms) == 0 {
		c.add(false, "No hazard statements are on record. See the safety data sheet.")
		return
	}
	whose := "Hazards: "
	if f.HazardsOfParts {
		whose = "Hazards of what it is mixed from: "
	}
	var pictograms []string
	for _, p := range ghs.Precedence(f.Pictograms, f.Hazards) {
		if named := joined(" ", p, pictogramNames[p]); !slices.Contains(pictograms, named) { // parts of a mix may share one
			pictograms = append(pictograms, named)
		}
		if ghs.Pictogram(p) != nil && !slices.Contains(c.Pictograms, p) {
			c.Pictograms = append(c.Pictograms, p)
		}
	}
	if f.Signal != ghs.None {
		whose = f.Signal.String() + " – " + whose
	}
	c.add(true, whose+joined(" · ", append(pictograms, f.Hazards...)...))
	c.add(false, labelled("Safety data sheet ", f.SafetySheet))
}

// Ratio is how much water went in for one part of cleaner, as measured, to two digits behind the point.
func Ratio(water, cleaner float64) string {
	if cleaner <= 0 || water <= 0 {
		return ""
	}
	return strconv.FormatFloat(water/cleaner, 'f', 2, 64) + " parts of water to 1 part of cleaner, as measured"
}

// labelled puts a word before a text, if there is one.
func labelled(word, text string) string {
	if text == "" {
		return ""
	}
	return word + text
}

func joined(separator string, parts ...string) string {
	return strings.Join(slices.DeleteFunc(slices.Clone(parts), func(p string) bool { return p == "" }), separator)
}
