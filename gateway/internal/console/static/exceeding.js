// An exceedance before it is recorded: a trace is held against a chart of the approved data and drawn, with its cautions first; and one that somebody saw is entered by hand.
// One that was recorded with its trace is drawn from its record, on the chart that judged it.
import { Refused, all, call, get, has, otherwise, send } from "/api.js";
import { choice, decimal, el, field, fold, last, utc } from "/dom.js";
import { entering, filled, pickBox, textBox, wrong } from "/entry.js";

const units = { PARAMETER_ITT: [["Cel", "°C"], ["[degF]", "°F"]], PARAMETER_TORQUE: [["N.m", "N·m"], ["[ft_i].[lbf_av]", "lbf·ft"]], PARAMETER_NG: [["%", "%"]], PARAMETER_PROPELLER_SPEED: [["{rpm}", "rpm"]] };
const unitsOf = (chart) => units[chart.parameter] || [["Cel", "°C"], ["%", "%"], ["N.m", "N·m"], ["{rpm}", "rpm"]];
const titleOf = (model, chart) => `${chart.parameter.replace("PARAMETER_", "").replaceAll("_", " ")}, ${chart.condition || chart.id}: ${model.displayName}`;

// samplesOf reads a trace, a line a sample: seconds and value, parted by a tab, a semicolon or blanks; a comma parts them too, where numbers have points.
const samplesOf = (box) => {
  const rows = box.value().split("\n").map((l) => l.trim()).filter(Boolean), list = rows.filter((l, i) => i > 0 || /^[\d.,+−-]/.test(l)).map((line) => {
    const cells = (/[\t; ]/.test(line) ? line.split(/[\t; ]+/) : line.split(",")).map((c) => Number(decimal(c.trim()).replace("−", "-")));
    if (cells.length !== 2 || cells.some(Number.isNaN)) throw wrong(box.path, `“${line.slice(0, 60)}” is no sample. Write the seconds and the value, such as 12.5; 873.`);
    return { offsetSeconds: cells[0], value: cells[1] };
  });
  if (!list.length) throw wrong(box.path, "Give the trace, a line a sample.");
  return list;
};

// drawn is the picture that the service made of a trace.
function drawn(made) {
  const picture = el("img", { class: "picture", alt: made.alternativeText, src: `data:${made.mediaType};base64,${made.content}` });
  return el("figure", {}, picture, el("figcaption", {}, fold("The picture in words", el("p", {}, made.alternativeText))));
}

// recorded is the picture of one that is on record, asked for when somebody opens it; one without a trace has none.
export function recorded(x) {
  if (!x.traceSampleCount) return null;
  const place = el("div", {}), opened = fold("Its picture", place);
  opened.addEventListener("toggle", async () => {
    if (!opened.open || place.childElementCount) return;
    try { place.replaceChildren(drawn(await get(`/v1/${x.name}:render?format=IMAGE_FORMAT_SVG`)), el("p", { class: "take" }, el("a", { href: `/v1/${x.name}:render?format=IMAGE_FORMAT_PNG`, download: "" }, "Take it away, PNG"))); } catch (e) {
      if (!(e instanceof Refused)) throw e;
      place.replaceChildren(el("p", { class: "refusal" }, "✕ " + e.message));
    }
  });
  return opened;
}

const charts = (models) => models.flatMap((m) => (m.exceedanceCharts || []).map((c) => ({ model: m, chart: c, key: `${m.name} ${c.id}` })));

// listing are the boxes for a chart and the unit of its values.
function listing(id, known) {
  const on = pickBox("chart", id + "-chart", "Chart of the approved data", known.map((k) => [k.key, titleOf(k.model, k.chart)])), of = () => known.find((k) => k.key === on.value()), unit = pickBox("unit_code", id + "-unit", "Unit of the values", unitsOf(of().chart));
  on.box.addEventListener("change", () => unit.box.replaceChildren(...choice("", "", unitsOf(of().chart)).box.children));
  return { on, unit, of };
}

// judging holds a trace against a chart and shows what the service says and draws; nothing is recorded.
function judging(known) {
  const { on, unit, of } = listing("trace", known), samples = textBox("samples", "trace-samples", "Trace: seconds and value, a line a sample", { rows: "6", spellcheck: "false", hint: "As the engine's monitor or the video of the gauge gives it. The clock may start at any moment." }), place = el("div", { id: "judgement", "aria-live": "polite" });
  const form = entering("trace-form", "Hold it against the chart; nothing is recorded", [on, unit, samples], async () => {
    const { model, chart } = of(), body = { chart: chart.id, unitCode: unit.value(), samples: samplesOf(samples) };
    const [said, picture] = await Promise.all([call("POST", `/v1/${model.name}:evaluateExceedance`, body), call("POST", `/v1/${model.name}:renderExceedance`, { ...body, format: "IMAGE_FORMAT_SVG" })]);
    return { said, picture };
  }, ({ said, picture }) => place.replaceChildren(...(said.cautions || []).map((c) => el("p", { class: "caution" }, "CAUTION: ", c)),
    el("p", {}, el("strong", {}, (said.exceedances || []).length ? `■ It goes beyond the chart ${said.exceedances.length === 1 ? "once" : said.exceedances.length + " times"}.` : "○ It stays below every zone of the chart.")), drawn(picture)));
  form.addEventListener("input", () => place.replaceChildren()); // what is said belongs to the trace as it was
  return fold("Hold a trace against a chart", form, place);
}

// entry records one that somebody saw. How long it lasted stays empty when nobody knows: the document then decides.
function entry(again, known, engines) {
  const { on, unit, of } = listing("seen", known), engine = pickBox("parent", "seen-engine", "Engine", [["", "Choose one"], ...engines.map((e) => [e.name, `${e.serial}${e.aircraft ? `, ${last(e.aircraft)} ${e.position || ""}` : ""}`])]);
  const time = field("seen-time", "When it began, UTC", { type: "datetime-local", step: "1" }), peak = textBox("peak", "seen-peak", "Highest value that was seen", { inputmode: "decimal" }), long = textBox("duration", "seen-duration", "How long in all, s", { inputmode: "decimal", hint: "Empty when nobody knows; it is then not taken for short." });
  const samples = textBox("trace", "seen-trace", "Or its trace: seconds and value, a line a sample", { rows: "4", spellcheck: "false", hint: "Where it was recorded. The highest value and how long it lasted are then read off it." });
  const note = textBox("note", "seen-note", "What happened", { rows: "3", maxlength: "1000" });
  return fold("Enter one that was seen", entering("seen-form", "Record the exceedance", [engine, on, { nodes: time.nodes }, peak, unit, long, samples, note], async () => {
    if (!engine.value()) throw wrong("parent", "Choose the engine.");
    if (!time.value()) throw new Refused("Say when it began, in UTC.");
    const made = await send(`/v1/${engine.value()}/engineExceedances`, filled({ chart: of().chart.id, exceedTime: utc(time), ...(samples.value() ? { trace: { unitCode: unit.value(), samples: samplesOf(samples) } } : { peak: { text: decimal(peak.value()), unitCode: unit.value() } }),
      duration: long.value() ? { text: decimal(long.value()), unitCode: "s" } : undefined, note: note.value() }));
    return `Recorded. ${made.explanation || ""}`;
  }, again));
}

// exceeding are the forms under the list of exceedances.
export async function exceeding(again, engines) {
  const known = charts(await otherwise(all("/v1/engineModels"), []));
  if (!known.length) return [el("p", {}, "No model of engine has a chart of exceedances yet. An analyst enters it from the approved data.")];
  return [judging(known), has("technician", "analyst", "quality", "inspector") ? entry(again, known, engines) : null].filter(Boolean);
}
