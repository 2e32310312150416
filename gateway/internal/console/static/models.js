// Engine models: what readings are compared with and how such an engine is washed, each with the document that says so. A change is a new revision.
import { antifreezeBoxes, antifreezeOf, antifreezeTable } from "/antifreeze.js";
import { all, call, get, has, newKey, send } from "/api.js";
import { el, fold, last, link, table, words } from "/dom.js";
import { entering, filled, idOf, lines, numberBox, pickBox, textBox, tickBox, wrong } from "/entry.js";
import { paged } from "/paging.js";
import { document_ } from "/standing.js";

const may = () => has("analyst", "admin");

const columns = ["pressureAltitudeM", "oatC", "airspeedKt", "propellerSpeedRpm", "torqueNm", "ittC", "ngPct", "fuelFlowKgH"];
// pointsOf reads a table of the baseline, a line a point, its columns parted by tabs, semicolons or commas. Decimals have a point.
function pointsOf(box) {
  return lines(box.value()).filter((line, i) => i > 0 || /^[\d+-]/.test(line)).map((line, i) => {
    const cells = line.split(/[\t;,]/).map((c) => c.trim()), numbers = cells.map(Number);
    if (cells.length !== columns.length || cells.some((c) => c === "") || numbers.some(Number.isNaN)) throw wrong(box.path, `Line ${i + 1} has not the ${columns.length} numbers of a point: “${line.slice(0, 80)}”.`);
    return Object.fromEntries(columns.map((c, n) => [c, numbers[n]]));
  });
}

// starterOf reads "battery: 30/60, 30/1800", or with the air temperatures that a line is for "battery, -40 to 10: 20/60", as runs and the rests after them, in
// seconds. A line that names what a profile named before keeps that one's id and document.
const starterOf = (box, before) => lines(box.value()).map((line) => {
  const [, power, low, high, runs] = /^([^:,]+?)(?:\s*,\s*(-?[\d.]+)?\s*to\s*(-?[\d.]+)?(?:\s*°C)?)?\s*:\s*(.+)$/.exec(line) || [], pairs = (runs || "").split(",").map((r) => /^\s*(\d+)\s*\/\s*(\d+)\s*$/.exec(r));
  if (!power || pairs.some((p) => !p)) throw wrong(box.path, `“${line}” does not say a power source, a colon, and runs and rests in seconds, such as battery: 30/60, 30/1800.`);
  const at = { powerSource: power, ...(low ? { minOatC: Number(low) } : {}), ...(high ? { maxOatC: Number(high) } : {}) };
  const same = before.find((p) => p.powerSource === power && p.minOatC === at.minOatC && p.maxOatC === at.maxOatC);
  return filled({ id: same ? same.id : idOf([power, low, high].filter(Boolean).join("-")), document: same && same.document, ...at, runs: pairs.map(([, on, rest]) => ({ onSeconds: Number(on), restSeconds: Number(rest) })) });
});
const starterText = (p) => `${p.powerSource}${p.minOatC !== undefined || p.maxOatC !== undefined ? `, ${p.minOatC ?? ""} to ${p.maxOatC ?? ""}` : ""}: ${p.runs.map((r) => `${r.onSeconds}/${r.restSeconds || 0}`).join(", ")}`;

// limited is what a limit is of, and how high, in the unit that the parameter has everywhere.
const parameters = { PARAMETER_ITT: ["ITT", "°C"], PARAMETER_NG: ["Ng", "%"], PARAMETER_FUEL_FLOW: ["Fuel flow", "kg/h"], PARAMETER_TORQUE: ["Torque", "N·m"], PARAMETER_NP: ["Propeller speed", "rpm"] };
const limited = (l) => { const [name, unit] = parameters[l.parameter] || [words(l.parameter), ""]; return [name, `${l.maxValue} ${unit}`.trim()]; };

const litres = (value) => (value === undefined ? undefined : { value: String(value), unitCode: "L" });
const inLitres = (q) => (q && q.unitCode === "L" ? q.value : q && q.unitCode === "mL" ? Number(q.value) / 1000 : undefined);

// washBoxes are the main wash data. What stands in the model beside them, such as a ring's measures, stays as it is.
async function washBoxes(w) {
  const items = await all("/v1/items"), of = (kind) => [["", "–"], ...items.filter((i) => i.kind === kind).map((i) => [i.name, i.displayName])];
  const grades = await all("/v1/waterGrades"), at = (name) => "engine_model.wash." + name, n = (name, id, label, value, hint) => numberBox(at(name), id, label, value, { hint });
  return { cleanerItem: pickBox(at("cleaner_item"), "wash-cleaner", "Cleaner", of("CLEANER"), w.cleanerItem || ""), waterItem: pickBox(at("water_item"), "wash-water", "Water", of("WATER"), w.waterItem || ""),
    antifreezeItem: pickBox(at("antifreeze_item"), "wash-antifreeze", "Antifreeze", of("ANTIFREEZE"), w.antifreezeItem || ""), blendItem: pickBox(at("blend_item"), "wash-blend", "The solution mixed of them", of("BLEND"), w.blendItem || ""),
    waterGrade: pickBox(at("water_grade"), "wash-grade", "Grade of the water", [["", "–"], ...grades.map((g) => [g.name, g.displayName || last(g.name)])], w.waterGrade || ""),
    waterParts: n("water_parts", "wash-water-parts", "Parts of water", w.waterParts), cleanerParts: n("cleaner_parts", "wash-cleaner-parts", "to parts of cleaner", w.cleanerParts),
    batch: n("batch_volume", "wash-batch", "Solution for a wash, L", inLitres(w.batchVolume)), rinse: n("rinse_volume", "wash-rinse", "Water for each rinse, L", inLitres(w.rinseVolume)), rinseRuns: n("rinse_runs", "wash-rinses", "Rinses", w.rinseRuns),
    step: n("measuring_step", "wash-step", "Smallest amount that is measured, L", inLitres(w.measuringStep)),
    ringFlowCoefficient: n("ring_flow_coefficient", "wash-flow", "Flow through the spray ring, L/min for √kPa", w.ringFlowCoefficient, "From a flow check: litres caught in a minute, divided by the root of the gauge pressure in kPa."),
    containerPressureKpa: n("container_pressure_kpa", "wash-pressure", "Container pressure, kPa gauge", w.containerPressureKpa),
    valveOpenDelaySeconds: n("valve_open_delay_seconds", "wash-delay", "Valve opens after, s of rotation", w.valveOpenDelaySeconds), valveCloseMarginSeconds: n("valve_close_margin_seconds", "wash-margin", "Valve shuts before the end of a run, s", w.valveCloseMarginSeconds),
    soakMinutes: n("soak_minutes", "wash-soak", "Soak, min", w.soakMinutes), coolingMinutes: n("cooling_minutes", "wash-cooling", "Engine cools before, min", w.coolingMinutes),
    dryingLimitMinutes: n("drying_limit_minutes", "wash-dry-within", "Drying run begins within, min of the last wetting", w.dryingLimitMinutes), dryingRunSeconds: n("drying_run_seconds", "wash-dry-length", "Drying run lasts, s", w.dryingRunSeconds),
    dryingOmissionCondition: textBox(at("drying_omission_condition"), "wash-dry-omit", "When approved data allow to leave the drying run out", { value: w.dryingOmissionCondition, maxlength: "400", hint: "In their words, with the paragraph. Empty: never, and no wash is signed without one." }),
    starters: textBox(at("starter_profiles"), "wash-starters", "Limits of the starter, a power source a line", { rows: "3", value: (w.starterProfiles || []).map(starterText).join("\n"),
      hint: "Longest run and shortest rest in seconds, such as battery: 30/60, 30/60, 30/1800. A line for some air temperatures only names them, in °C: battery, -40 to 5: 20/60." }),
    antifreezeBelowC: n("antifreeze_below_c", "wash-cold", "Antifreeze at or below, °C", w.antifreezeBelowC, "Empty is 0 °C, here and in the two beside it."),
    antifreezeCeilingC: n("antifreeze_ceiling_c", "wash-ceiling", "No antifreeze above, °C", w.antifreezeCeilingC, "Not lower than where antifreeze is needed: between the two nothing could be washed."),
    antifreezeMarginC: n("antifreeze_margin_c", "wash-cold-margin", "Freezing point below the air by, K", w.antifreezeMarginC, "The printed row that is used freezes at least this far below the air temperature."),
    washFloorC: n("wash_floor_c", "wash-floor", "No wash below, °C", w.washFloorC) };
}

// washOf is the wash data as the boxes have them, on what the model has beside.
function washOf(b, w) {
  const { starters, batch, rinse, step, ...rest } = b;
  return filled({ ...w, ...Object.fromEntries(Object.entries(rest).map(([k, box]) => [k, box.value()])), batchVolume: litres(batch.value()), rinseVolume: litres(rinse.value()), measuringStep: litres(step.value()),
    starterProfiles: starterOf(starters, w.starterProfiles || []) });
}

const documentBoxes = (d) => ({ title: textBox("engine_model.document", "model-document", "Approved document", { value: d.title, maxlength: "200" }), revision: textBox("engine_model.document.revision", "model-revision", "Its revision", { value: d.revision, maxlength: "64" }) });
const documentOf = (b) => filled({ title: b.title.value(), revision: b.revision.value() });

function adding(again) {
  const name = textBox("engine_model.display_name", "model-name", "Name of the model", { maxlength: "120" }), d = documentBoxes({});
  const points = textBox("engine_model.baseline", "model-points", "Baseline: a clean engine's readings, a point a line", { rows: "6", spellcheck: "false",
    hint: "Pressure altitude m, air °C, airspeed kt, propeller rpm, torque N·m, ITT °C, Ng %, fuel kg/h, parted by tabs, semicolons or commas. Some twenty points over the range that is flown." });
  const demo = tickBox("engine_model.demonstration_only", "model-demo", "Demonstration only: the data are invented");
  return entering("model-form", "Add the model", [name, ...Object.values(d), points, demo], async () => {
    const id = idOf(name.value()), made = await send("/v1/engineModels" + (id ? "?engineModelId=" + id : ""), filled({ displayName: name.value(), document: documentOf(d), baseline: { points: pointsOf(points) }, demonstrationOnly: demo.value() }));
    location.hash = "#/models/" + last(made.name);
    return "";
  }, again);
}

// fromFile adds a model that another suite's page saved, whole.
function fromFile(again) {
  const file = textBox("engine_model", "model-file", "File of a model, JSON", { type: "file", accept: "application/json,.json", hint: "As “Take it away” on a model's page gives it." });
  return entering("model-file-form", "Add the model of the file", [file], async () => {
    if (!file.box.files[0]) throw wrong("engine_model", "Choose the file.");
    let model = null;
    try { model = JSON.parse(await file.box.files[0].text()); } catch { throw wrong("engine_model", "The file is no JSON."); }
    const made = await call("POST", "/v1/engineModels?engineModelId=" + encodeURIComponent(idOf(String(model.displayName || ""))), model, newKey());
    location.hash = "#/models/" + last(made.name);
    return "";
  }, again);
}

export async function modelsPage(again, id, asked) {
  if (id) return oneModel(again, id);
  const models = await paged("/v1/engineModels", asked);
  return [el("h2", {}, "Engine models"), table(`What readings are compared with: ${models.at}`, ["Model", "Revision", "By", "Wash data"],
    models.rows.map((m) => [link("models/" + last(m.name), m.displayName), String(m.revision), document_(m.document), m.wash ? "○ entered" : "▲ missing: no wash can be planned"]), "No model yet: readings can't be judged and no wash planned without one."), models.ways,
  ...(may() ? [fold("Add a model", adding(again)), fold("Add a model from a file", fromFile(again))] : [el("p", {}, "An analyst or an administrator adds models.")])].filter(Boolean);
}

async function oneModel(again, id) {
  const m = await get("/v1/engineModels/" + encodeURIComponent(id)), w = m.wash || {};
  const update = (values) => send(`/v1/${m.name}?updateMask=${Object.keys(values).join(",")}`, { name: m.name, etag: m.etag, ...values }, "PATCH");
  const forms = [];
  if (may()) {
    const d = documentBoxes(m.document || {}), b = await washBoxes(w), cold = antifreezeBoxes(w.antifreezeTable || {}), name = textBox("engine_model.display_name", "model-name", "Name of the model", { value: m.displayName, maxlength: "120" });
    forms.push(fold("Wash data", entering("wash-form", "Make the next revision", [...Object.values(b), ...Object.values(cold)], async () => `Revision ${(await update({ wash: filled({ ...washOf(b, w), antifreezeTable: antifreezeOf(cold, w.antifreezeTable || {}) }) })).revision} is made. Plans of orders that are scheduled from now on use it.`, again)),
      fold("Name and document", entering("model-form", "Make the next revision", [name, ...Object.values(d)], async () => `Revision ${(await update({ displayName: name.value(), document: { ...m.document, ...documentOf(d) } })).revision} is made.`, again)));
  }
  const limits = (m.limits || []).map((l) => [...limited(l), l.condition || "always", l.document && l.document.title ? document_(l.document) : document_(m.document)]);
  const away = el("a", { href: URL.createObjectURL(new Blob([JSON.stringify(m, null, 2)], { type: "application/json" })), download: last(m.name) + ".json" }, "Take it away, JSON");
  return [el("h2", {}, m.displayName), m.demonstrationOnly ? el("p", { class: "caution" }, "Demonstration only: this model's data are invented.") : null,
    el("p", {}, `Revision ${m.revision}, by ${document_(m.document)}. ${(m.baseline && m.baseline.points || []).length} points of baseline. `, m.wash ? "Wash data are entered." : "▲ Wash data are missing: no wash can be planned."), el("p", { class: "take" }, away),
    table("Limits", ["Parameter", "Highest", "When", "By"], limits, "No limit is entered: no exceedance is told, and no margin."), ...(m.wash ? antifreezeTable(w) : []), ...forms, el("p", {}, link("models", "All models"))].filter(Boolean);
}
