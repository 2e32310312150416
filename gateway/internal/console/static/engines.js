// Engines: all of them with what their readings say, and one with its trend, its washes and its readings.
import { judged, recoveryHeads, recoveryRow, urgent } from "/analysis.js";
import { all, get, otherwise, owners } from "/api.js";
import { chip, el, instant, last, link, orderState, table } from "/dom.js";
import { addEngine, engineForms } from "/fleet.js";
import { calledOf, registered } from "/names.js";
import { paged } from "/paging.js";
import { drawTrend } from "/trend.js";

// files are the links under which an engine's chart and readings can be taken away.
function files(name) {
  const formats = [["Chart, SVG", "trend:render"], ["Chart, PNG", "trend:render?format=IMAGE_FORMAT_PNG"], ...["CSV", "XLSX", "PARQUET", "JSON"]
    .map((format) => ["Readings, " + format, "readings:export?format=TABLE_FORMAT_" + format])];
  return el("p", { class: "take" }, ...formats.flatMap(([text, path]) => [el("a", { href: `/v1/${name}/${path}` }, text), " "]), el("button", { type: "button", class: "back", onclick: () => print() }, "Print"));
}

export async function enginesPage(again, asked) {
  const [engines, assessments, plane] = await Promise.all([paged("/v1/engines", asked), all("/v1/assessments"), registered()]);
  const byEngine = new Map(assessments.map((a) => [a.engine, a]));
  const rows = engines.rows.map((e) => {
    const a = byEngine.get(e.name);
    return [link("engine/" + last(e.name), e.serial), e.aircraft ? plane(e.aircraft) + (e.position ? ", " + e.position : "") : "not fitted", chip(a && a.level), a ? a.summary : "No readings yet."];
  });
  return [el("h2", {}, "Engines"), table(`Every engine and what its readings say: ${engines.at}`, ["Engine", "Fitted to", "Condition", "In words"], rows, "No engine was added yet."), engines.ways, ...await addEngine(again)].filter(Boolean);
}

// unread says what to do next for an engine that nothing was read of.
const unread = (engine, model) => el("section", { id: "unread", class: "job" }, el("h3", {}, "No reading of this engine yet"),
  el("p", {}, "Its trend begins with the first readings. Until then nothing is judged and no wash is advised by condition; what is due by calendar, hours and cycles does not wait for them."),
  el("ol", {},
    el("li", {}, model ? `Its model ${model.displayName || last(model.name)} is known, with the readings it asks for.` : `Its model ${last(engine.engineModel) || ""} has no data yet: an analyst records the model, with its document and revision.`),
    el("li", {}, "Readings come from the aircraft's records: an analyst or a technician imports them as a table. ", link("import", "Import readings")),
    el("li", {}, "A clean engine's first readings make its baseline. After some twenty the trend tells more than noise; common practice, no source.")));

export async function enginePage(again, id) {
  const name = "engines/" + encodeURIComponent(id);
  const engine = await get("/v1/" + name);
  const [model, forms, assessed, trend, recoveries, orders] = await Promise.all([calledOf("/v1/engineModels"), engineForms(again, engine), otherwise(get(`/v1/${name}/assessment`), null),
    otherwise(get(`/v1/${name}/trend`), null), otherwise(get(`/v1/${name}/recoveries`), {}),
    all("/v1/workOrders?filter=" + encodeURIComponent(`engine = ${JSON.stringify(engine.name)}`))]);
  const inWords = (text) => (text || "").replace(/engineModels\/[a-z0-9-]+/g, model), assessment = assessed && { ...assessed, margin: { ...assessed.margin, explanation: inWords((assessed.margin || {}).explanation), condition: inWords((assessed.margin || {}).condition) }, sources: (assessed.sources || []).map(inWords) };
  const c = engine.counters, counted = c ? `${(Number(c.operatingSeconds) / 3600).toFixed(1)} h and ${c.cycles} cycles since new.` : "Its hours and cycles were never entered, so nothing that they limit can be told.";
  const work = table("Orders of this engine", ["Number", "Work", "State", "Planned"], orders.map((o) => [link("order/" + last(o.name), o.number), o.displayName, orderState(o), instant(o.planStartTime)]), "No order of this engine yet.");
  const due = el("p", { class: "take" }, el("a", { href: "#/due?subject=" + encodeURIComponent(engine.name) }, "What is due on it"), " ", el("a", { href: "#/status?subject=" + encodeURIComponent(engine.name) }, "Status on a date"));
  const head = [el("h2", {}, "Engine " + engine.serial), ...urgent(assessment), el("p", {}, assessment ? chip(assessment.level) : "", trend ? ` ${counted} ${trend.summary}` : " " + counted)];
  const recovered = table("What the washes recovered", recoveryHeads, (recoveries.recoveries || []).map(recoveryRow), "No wash is on the time line.");
  if (!trend && owners().length) return [...head, el("p", {}, "The readings one by one are not open to your account. What the shop's analysis says of them stands here."), due, ...judged(assessment), recovered, work];
  if (!trend || trend.points.length === 0) {
    const data = engine.engineModel ? await otherwise(get("/v1/" + engine.engineModel), null) : null;
    return [...head, unread(engine, data), due, work, ...forms];
  }
  return [...head, drawTrend(trend), el("p", {}, "Baseline: " + inWords(trend.baseline)), files(name), due, ...judged(assessment),
    recovered,
    table("The newest readings", ["Read", "Used", "ITT deviation, °C"], trend.points.slice(-15).reverse().map((p) => [link(`reading/${last(engine.name)}/${last(p.reading)}`, instant(p.readTime)), p.state, p.deviation ? p.deviation.ittC.toFixed(1) : "–"]), "No readings yet."), work, ...forms];
}
