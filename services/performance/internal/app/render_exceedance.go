package app

import (
	"cmp"
	"context"
	"fmt"
	"slices"

	performancev1 "coldsection.example/proto/coldsection/performance/v1"
	"coldsection.example/services/performance/internal/chart"
	"coldsection.example/services/performance/internal/exceedance"
	"coldsection.example/services/performance/internal/store"
	"coldsection.example/services/platform/quantity"
)

// parameterNames are what the parameters are called.
var parameterNames = map[performancev1.Parameter]string{
	performancev1.Parameter_PARAMETER_ITT: "ITT", performancev1.Parameter_PARAMETER_NG: "Ng", performancev1.Parameter_PARAMETER_FUEL_FLOW: "Fuel flow",
	performancev1.Parameter_PARAMETER_TORQUE: "Torque", performancev1.Parameter_PARAMETER_NP: "Propeller speed",
}

// RenderExceedance draws what EvaluateExceedance says.
func (a *App) RenderExceedance(ctx context.Context, req *performancev1.RenderExceedanceRequest) (*performancev1.RenderExceedanceResponse, error) {
	model, err := store.Models.Read(ctx, a.DB, req.GetName())
	if err != nil {
		return nil, err
	}
	data, err := chartNamed(model, req.GetChart())
	if err != nil {
		return nil, err
	}
	picture, err := pictured(req, model, data)
	if err != nil {
		return nil, err
	}
	return drawn(picture, req.GetFormat(), "exceedance-"+data.GetId())
}

// pictured is a trace as it is drawn on a chart. Reasons: those of traceOf, TRACE_INVALID, TRACE_AMBIGUOUS.
func pictured(req traced, model *performancev1.EngineModel, data *performancev1.ExceedanceChart) (chart.Zones, error) {
	trace, err := traceOf(req, data)
	if err != nil {
		return chart.Zones{}, err
	}
	if trace, err = exceedance.Ordered(trace); err != nil {
		return chart.Zones{}, err
	}
	zones := chartOf(data)
	events, err := zones.Judge(trace)
	if err != nil {
		return chart.Zones{}, err
	}
	return pictureOf(model, data, zones, trace, events), nil
}

// drawn is a picture as a file of this name.
func drawn(picture chart.Zones, format performancev1.ImageFormat, name string) (*performancev1.RenderExceedanceResponse, error) {
	resp := &performancev1.RenderExceedanceResponse{AlternativeText: picture.Words(), MediaType: "image/svg+xml", FileName: name + ".svg"}
	if format == performancev1.ImageFormat_IMAGE_FORMAT_PNG {
		var err error
		resp.MediaType, resp.FileName = "image/png", name+".png"
		resp.Content, err = chart.PNG(picture)
		return resp, err
	}
	resp.Content = chart.SVG(picture)
	return resp, nil
}

// pictureOf is a judged trace as it is drawn.
func pictureOf(
	model *performancev1.EngineModel, data *performancev1.ExceedanceChart, zones *exceedance.Chart, trace []exceedance.Sample, events []exceedance.Event,
) chart.Zones {
	when := ""
	if c := data.GetCondition(); c != "" {
		when = " (" + c + ")"
	}
	mildest := slices.Clone(zones.Zones)
	slices.SortStableFunc(mildest, func(a, b exceedance.Zone) int { return cmp.Compare(a.Severity, b.Severity) })
	out := chart.Zones{
		Model: fmt.Sprintf("%s, revision %d", model.GetDisplayName(), model.GetRevision()), Chart: fmt.Sprintf("Chart %s%s, from %s", data.GetId(), when, mildest[0].Document),
		Demonstration: model.GetDemonstrationOnly(), Cautions: exceedance.Cautions(), Parameter: parameterNames[data.GetParameter()],
		Unit: quantity.MustLookup(units[data.GetParameter()].code).Label, Gap: zones.Gap,
	}
	for _, s := range trace {
		out.Trace = append(out.Trace, chart.Sample(s))
	}
	for i := range mildest {
		z := &mildest[i]
		out.Zones = append(out.Zones, chart.Zone{Name: z.ID, Action: z.Action, Lowest: z.Lowest(), Corners: corners(z.Corners)})
	}
	shown := severest(zones, events, mostDrawn)
	out.More = len(events) - len(shown)
	for i := range shown {
		out.Events = append(out.Events, stayOf(zones, &shown[i], mildest))
	}
	return out
}

// mostDrawn is how many events a picture shows.
const mostDrawn = 12

// severest are so many events at most, in the order of time: those of the severest zones that they may meet, of these the highest.
func severest(zones *exceedance.Chart, events []exceedance.Event, most int) []exceedance.Event {
	if len(events) <= most {
		return events
	}
	severity := func(e *exceedance.Event) int {
		if e.WorstZone < 0 {
			return -1
		}
		return zones.Zones[e.WorstZone].Severity
	}
	shown := slices.Clone(events)
	slices.SortStableFunc(shown, func(a, b exceedance.Event) int {
		return cmp.Or(cmp.Compare(severity(&b), severity(&a)), cmp.Compare(b.Peak, a.Peak))
	})
	shown = shown[:most]
	slices.SortFunc(shown, func(a, b exceedance.Event) int { return cmp.Compare(a.Start, b.Start) })
	return shown
}

func stayOf(zones *exceedance.Chart, e *exceedance.Event, mildest []exceedance.Zone) chart.Stay {
	out := chart.Stay{AtLeast: e.AtLeast(), Start: e.Start, End: e.End, Peak: e.Peak, PeakAt: e.PeakAt, Curve: corners(e.Curve), Words: e.Words(zones)}
	if len(e.Gaps) > 0 {
		out.Worst = corners(e.Worst)
	}
	for i := range mildest {
		out.InZones = append(out.InZones, e.AtOrOver(mildest[i].Lowest()))
	}
	return out
}

func corners(all []exceedance.Vertex) []chart.Corner {
	out := make([]chart.Corner, len(all))
	for i, v := range all {
		out[i] = chart.Corner(v)
	}
	return out
}
