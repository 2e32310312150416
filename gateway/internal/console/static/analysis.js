// What an engine's readings say, with what speaks for and against each cause, what washes came to, and the sums behind one reading, so that somebody can do
// them again by hand. Nothing here is a finding: who is licensed decides what is done, by the approved data.
import { all, get, has, otherwise, send } from "/api.js";
import { chip, el, field, fold, instant, last, link, table, words } from "/dom.js";
import { exceeding, recorded } from "/exceeding.js";
import { ordered, paged } from "/paging.js";
import { pressing } from "/press.js";

const causes = { fouling: "Dirt in the compressor", hot_section: "Wear of the hot section", bleed_leak: "A leak of bleed air", itt_indication: "The ITT indication", torque_indication: "The torque indication",
  fuel_flow_indication: "The fuel-flow indication", ng_indication: "The Ng indication", power_turbine: "The power turbine", combustion: "Combustion", inlet: "The inlet", air_data_indication: "The air data that both engines share", other: "Something else" };
export const causeText = (c) => causes[c] || words(c);
// sourceText says what an assessment rests on; the causes in it are called as they are above.
const sourceText = (s) => (s.startsWith("Signatures of ") ? s.replace(/[a-z]+(_[a-z]+)*/g, (k) => (Object.hasOwn(causes, k) ? causes[k].replace(/^(The|A|Dirt|Wear|Some)/, (w) => w.toLowerCase()) : k)) : s);
const percent = (p) => `${Math.round(100 * (p || 0))} %`;
const signed = (n) => (n > 0 ? "+" : "") + Number(n).toFixed(1);
const interval = (i, unit) => (i && i.estimate !== undefined ? `${signed(i.estimate)} ${unit}${i.lower !== i.upper ? `, between ${signed(i.lower)} and ${signed(i.upper)}${i.coveragePct ? ` (${i.coveragePct} %)` : ""}` : ""}` : "not known");

// causeRows are candidates with what speaks for and against them.
const together = (list) => (list || []).map((t) => t.replace(/\.$/, "")).join("; ") || "–";
const causeRows = (list) => (list || []).map((c) => [causeText(c.cause), percent(c.probability), together(c.supportingEvidence), together(c.opposingEvidence), c.nextCheck || "–"]);
const causeHeads = ["What it may be", "How probable", "For it", "Against it", "The check that would separate it"];
const verdict = (v) => (v === "named" ? "The first is probable enough to be named." : v ? "Cannot tell: none is probable enough to be named." : "");

// change is one change that dirt does not explain, newest first, with how its candidates were weighed.
function change(s) {
  const first = (s.causes || [])[0];
  return fold(`${s.gradual ? "Drift" : "Step"} that began about ${instant(s.onsetTime).slice(0, 10)}, seen ${instant(s.detectTime).slice(0, 10)}: ${s.verdict === "named" && first ? causeText(first.cause) : "cannot tell which of its candidates"}`,
    el("p", {}, `Size when it was seen, with the dirt that came or went meanwhile: ITT ${signed((s.change || {}).ittC || 0)} °C, Ng ${signed((s.change || {}).ngPct || 0)} %, fuel flow ${signed((s.change || {}).fuelFlowPct || 0)} %.`),
    el("p", {}, verdict(s.verdict)), table("Candidates", causeHeads, causeRows(s.causes), "No candidate was weighed."),
    fold("How they were weighed over time", table("Weighed", ["When", "What was learned", "Came to"], (s.steps || []).map((t) => [instant(t.stepTime), t.evidence || "–",
      (t.causes || []).slice(0, 3).map((c) => `${causeText(c.cause)} ${percent(c.probability)}`).join(", ")]), "Once, when it was seen.")));
}

// urgent is what comes before everything else that is said of an engine.
export const urgent = (a) => (a && a.exceedanceNotice ? [el("p", { class: "alarm", id: "exceeded" }, "■ " + a.exceedanceNotice, " ", link("exceedances", "Exceedances"))] : []);

// judged is the assessment of an engine: how it stands, what may be behind it, and its changes.
export function judged(a) {
  if (!a) return [];
  const m = a.margin || {};
  return [el("section", { id: "judged" },
    table("How it stands", ["What", "Value"], [["Condition", chip(a.level)], ["ITT above a clean engine", interval(a.ittDeviationC, "°C")], ["Ng", interval(a.ngDeviationPct, "%")], ["Fuel flow", interval(a.fuelFlowDeviationPct, "%")],
      ["ITT's slope in 100 h", interval(a.ittSlopeCPer100h, "°C")], ["A wash is worth while from", a.ittAdviceC ? `+${a.ittAdviceC.toFixed(1)} °C` : "not known yet: no reference"],
      ["Margin to the ITT limit", [m.ittMarginC && `${interval(m.ittMarginC, "°C")} at ${m.condition || "the reference condition"}`, m.explanation].filter(Boolean).join(". ") || "not known"],
      ["Readings behind it", `${a.readingsUsed || 0} used${a.readingsHeld ? `, ${a.readingsHeld} held` : ""}, newest ${instant(a.latestReadTime)}`], ["Rests on", (a.sources || []).length ? fold(`${a.sources.length} sources`, el("ul", {}, ...a.sources.map((s) => el("li", {}, sourceText(s))))) : "–"]], ""),
    a.readingsHeld ? el("p", {}, link("held/" + last(a.engine), "Look at the held readings")) : null,
    (a.causes || []).length ? table("What may be behind it, most probable first", causeHeads, causeRows(a.causes), "") : null, el("p", {}, verdict(a.causeVerdict)),
    el("h3", {}, "Changes that dirt does not explain"), ...((a.shifts || []).length ? a.shifts.toReversed().map(change) : [el("p", {}, "None was seen.")]))];
}

// recovery is what a wash came to, with the numbers that it is said by.
export const recoveryRow = (r) => [instant(r.washTime), chip(r.verdict), r.explanation, interval(r.ittStepC, "°C"), `${r.priorReadingCount || 0} before, ${r.laterReadingCount || 0} after`,
  (r.otherCauses || []).length ? r.otherCauses.map((c) => `${causeText(c.cause)} ${percent(c.probability)}${c.nextCheck ? `: ${c.nextCheck}` : ""}`).join("; ") : "–", r.workOrder ? link("order/" + last(r.workOrder), "order") : "before the suite"];
export const recoveryHeads = ["Wash", "Verdict", "In words", "ITT's step", "Readings", "What else it may be", "Order"];

const round = (n) => String(Number(Number(n).toPrecision(7)));

const sumHeads = ["Line", "Comes to", "How", "Rule or constant from"], sum = (s) => [s.label, `${round(s.value)}${s.unitCode === "1" ? "" : " " + s.unitCode}${s.alternateText ? ` (${s.alternateText})` : ""}`, s.formula || "–", s.source || "–"];
// sums are the lines of a reading, one after the other; the many coefficients of the baseline that they use stand together below.
function sums(said) {
  const all = said.steps || [], given = all.filter((s) => s.formula === "of the baseline");
  return [table(`The sums, by ${last(said.engineModel)} revision ${said.modelRevision}`, sumHeads, all.filter((s) => !given.includes(s)).map(sum), "No sum was done."),
    given.length ? fold(`The ${given.length} coefficients of the baseline that the sums use`, table("Coefficients, as the polynomial was fitted to the model's table", sumHeads, given.map(sum), "")) : null].filter(Boolean);
}

// readingPage shows the sums of one reading: each line with what was put in, so that a pocket calculator gives the same.
export async function readingPage(engine, id) {
  const name = `engines/${encodeURIComponent(engine)}/readings/${encodeURIComponent(id)}`;
  const [reading, said] = await Promise.all([get("/v1/" + name), get(`/v1/${name}:explain`).catch((e) => ({ refused: e.message }))]);
  const typed = (e) => (e && e.text ? `${e.text} ${e.unitCode || ""}` : "–");
  return [el("h2", {}, "Reading of " + instant(reading.readTime)), el("p", {}, chip(reading.state), ` ${reading.stateText || ""} `, reading.source ? `From ${reading.source}.` : ""),
    table("As it was entered", ["What", "Value"], [["Pressure altitude", typed(reading.pressureAltitude)], ["Air temperature", typed(reading.oat)], ["Airspeed", typed(reading.airspeed)], ["Torque", typed(reading.torque)], ["Propeller", typed(reading.propellerSpeed)],
      ["Ng", typed(reading.ng)], ["ITT", typed(reading.itt)], ["Fuel flow", typed(reading.fuelFlow)]], ""),
    ...(said.refused ? [el("p", { class: "caution" }, said.refused)] : sums(said)),
    el("p", {}, link("engine/" + encodeURIComponent(engine), "The engine"))];
}

// heldPage is the queue of readings that the analysis does not use until somebody looked at them.
export async function heldPage(again, id, asked) {
  const act = pressing(again), parent = id ? "engines/" + encodeURIComponent(id) : "engines/-", [held, engines] = await Promise.all([paged(ordered(`/v1/${parent}/readings`, "state = HELD"), asked), all("/v1/engines")]);
  const serial = Object.fromEntries(engines.map((e) => [e.name, e.serial]));
  const decide = (r) => {
    if (!has("analyst")) return "An analyst decides.";
    const why = field("why-" + last(r.name), "Why", { maxlength: "400" }), go = (verb) => () => send(`/v1/${r.name}:${verb}`, { etag: r.etag, reason: why.value() });
    return fold("Decide", ...why.nodes, act("It is right: use it", go("include"), "The reading is used; the analysis is worked out anew."), act("It is wrong: leave it out", go("exclude"), "The reading is left out. It stays visible."));
  };
  const rows = held.rows.map((r) => { const [, engine, , reading] = r.name.split("/"); return [link("engine/" + engine, serial["engines/" + engine] || engine), link(`reading/${engine}/${reading}`, instant(r.readTime)), r.stateText || words(r.stateReason), r.source || "–", decide(r)]; });
  return [el("h2", {}, "Held readings"), el("p", {}, "These look implausible, so the analysis leaves them out until an analyst looked at them against the source. A value that was typed wrong is corrected there and read again."),
    table(`They wait: ${held.at}`, ["Engine", "Read", "Why it is held", "From", "What now"], rows, "No reading is held."), held.ways].filter(Boolean);
}

// exceedancesPage lists what went beyond a chart or limit. Only quality closes one.
export async function exceedancesPage(again, asked) {
  const act = pressing(again), [list, engines] = await Promise.all([paged(ordered("/v1/engines/-/engineExceedances", "", "state desc,exceed_time desc"), asked), otherwise(all("/v1/engines"), [])]), serial = Object.fromEntries(engines.map((e) => [e.name, e.serial]));
  const close = (x) => {
    if (x.state !== "OPEN") return `closed ${instant(x.closeTime)}: ${x.closeReason}`;
    if (!has("quality")) return "Quality closes it once the approved data's action is done and signed.";
    const why = field("close-" + last(x.name), "What was done, and where it is recorded", { maxlength: "400" });
    return fold("Close it", el("p", { class: "caution" }, "CAUTION: closing says that what the document asks for was done and signed. It can't be opened again."), ...why.nodes, act("Close the exceedance", () => send(`/v1/${x.name}:close`, { etag: x.etag, reason: why.value() }), "Closed; it stays on the time line."));
  };
  const rows = list.rows.map((x) => { const engine = "engines/" + x.name.split("/")[1]; return [link("engine/" + last(engine), serial[engine] || last(engine)), instant(x.exceedTime), x.state === "OPEN" ? el("span", { class: "chip bad" }, "■ OPEN") : el("span", { class: "chip none" }, "– CLOSED"),
    el("div", {}, [x.explanation, x.doubt && `In doubt: ${x.doubt}`].filter(Boolean).join(" "), recorded(x)), x.action || "as the approved data say", x.document && x.document.title ? [x.document.title, x.document.revision, x.document.section].filter(Boolean).join(", ") : "–", close(x)]; });
  return [el("h2", {}, "Exceedances"), el("p", {}, "What went beyond a chart or a limit of the approved data. They decide what it asks for, and a licensed person signs it."),
    table(`Open ones first: ${list.at}`, ["Engine", "When", "State", "What", "Action that the document asks for", "By", "What now"], rows, "None is recorded."), list.ways, ...await exceeding(again, engines)].filter(Boolean);
}
