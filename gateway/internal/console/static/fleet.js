// Aircraft and engines as they are entered and fitted: the counters with which they come, and where an engine hangs.
import { all, change, get, has, nowText, otherwise, send } from "/api.js";
import { entryRecord } from "/correcting.js";
import { date, el, fold, instant, last, link, table } from "/dom.js";
import { dayBox, entering, filled, idOf, lines, numberBox, pickBox, textBox, wrong } from "/entry.js";
import { paged } from "/paging.js";
import { counters } from "/standing.js";

const regimes = [["EASA", "European rules"], ["FAA", "United States rules"], ["UK", "United Kingdom rules"], ["OTHER", "other rules"]];
const may = () => has("planner", "quality", "admin");
const query = (key, text) => (idOf(text) ? `?${key}=${encodeURIComponent(idOf(text))}` : "");
const today = () => { const [year, month, day] = nowText().slice(0, 10).split("-").map(Number); return { year, month, day }; };

// entered are the counters that a thing has when it is added, in hours and tenths as the log has them. Hours and cycles must be said: left out they
// would count as none, and limits by them would look far away.
function entered(of, prefix) {
  const path = `${of}.counters`, hours = numberBox(path + ".operating_seconds", prefix + "-hours", "Hours since new", undefined, { hint: "As its log has them, such as 4120.5; the suite counts on from there." });
  const cycles = numberBox(path + ".cycles", prefix + "-cycles", "Cycles since new"), starts = numberBox(path + ".starts", prefix + "-starts", "Starts since new");
  const day = dayBox(`${of}.counters_date`, prefix + "-day", "True at the end of", today());
  const whole = (n) => (n === undefined ? undefined : String(Math.round(n)));
  const said = (box, what) => { const n = box.value(); if (n === undefined) throw wrong(box.path, `Give its ${what}, as its log has them; 0 when it is new.`); return n; };
  const value = () => filled({ operatingSeconds: String(Math.round(said(hours, "hours") * 3600)), cycles: whole(said(cycles, "cycles")), starts: whole(starts.value()) });
  return { boxes: [hours, cycles, starts, day], values: () => filled({ counters: value(), countersDate: day.value() }) };
}

function aircraftBoxes(a) {
  return { registration: textBox("aircraft.registration", "aircraft-registration", "Registration", { value: a.registration, maxlength: "20" }),
    model: textBox("aircraft.model", "aircraft-model", "Type", { value: a.model, maxlength: "80" }), serial: textBox("aircraft.serial", "aircraft-serial", "Serial number", { value: a.serial, maxlength: "40" }),
    regime: pickBox("aircraft.regime", "aircraft-regime", "Rules that it is maintained under", regimes, a.regime || "EASA"),
    zone: textBox("aircraft.time_zone", "aircraft-zone", "Time zone that its days are counted in", { value: a.timeZone, maxlength: "64", hint: "By its IANA name, such as Europe/Oslo; empty is UTC." }),
    owner: textBox("aircraft.owner", "aircraft-owner", "Whose it is", { value: a.owner, maxlength: "63", autocapitalize: "none", hint: "A short text of your own, lower case; accounts that are limited to owners see what is theirs. Empty is nobody's." }) };
}

const aircraftValues = (b) => Object.fromEntries(Object.entries({ registration: b.registration, model: b.model, serial: b.serial, regime: b.regime, timeZone: b.zone, owner: b.owner }).map(([k, box]) => [k, box.value()]));

export async function aircraftPage(again, id, asked) {
  if (id) return oneAircraft(again, id);
  const fleet = await paged("/v1/aircraft", asked), b = aircraftBoxes({}), count = entered("aircraft", "aircraft");
  const add = entering("aircraft-form", "Add the aircraft", [...Object.values(b), ...count.boxes], async () => {
    const made = await send("/v1/aircraft" + query("aircraftId", b.registration.value()), filled({ ...aircraftValues(b), ...count.values() }));
    return `${made.registration} is added.`;
  }, again);
  return [el("h2", {}, "Aircraft"), table(`Every aircraft: ${fleet.at}`, ["Registration", "Type", "Engines", "Counters"],
    fleet.rows.map((a) => [link("aircraft/" + last(a.name), a.registration || last(a.name)), a.model || "–", (a.engines || []).map(last).join(", ") || "none fitted", counters(a.counters)]), "No aircraft yet."), fleet.ways,
  may() ? el("section", { class: "job" }, el("h3", {}, "Add an aircraft"), add) : el("p", {}, "A planner, quality or an administrator adds aircraft.")].filter(Boolean);
}

// against is what speaks against operating an aircraft. Nobody is told that it may be operated: that is decided by who answers for it.
async function against(name) {
  const found = await otherwise(get(`/v1/${name}:checkOperation`), null);
  if (!found) return [];
  const list = found.obstacles || [];
  return [el("section", { id: "against", class: "job" }, el("h3", {}, "What speaks against operating it"),
    list.length ? el("ul", {}, ...list.map((o) => el("li", {}, el("strong", {}, "■ "), o.detail))) : el("p", {}, "◌ Nothing that is recorded here speaks against it."),
    el("p", {}, "That is no permission to operate: the suite knows only what is recorded in it. Who answers for the aircraft decides, by the approved data."),
    list.length ? el("p", {}, link("entries", "Releases to enter")) : null)];
}

async function oneAircraft(again, id) {
  const a = await get("/v1/aircraft/" + encodeURIComponent(id)), b = aircraftBoxes(a);
  const [engines, fittings, obstacles] = await Promise.all([all("/v1/engines?filter=" + encodeURIComponent(`aircraft = ${JSON.stringify(a.name)}`)),
    all("/v1/fittings?filter=" + encodeURIComponent(`host = ${JSON.stringify(a.name)}`)), against(a.name)]);
  const save = async () => { await change(a, aircraftValues(b)); return "The aircraft is changed."; };
  const record = await entryRecord(again, a, "Aircraft " + (a.registration || id));
  return [el("h2", {}, "Aircraft " + (a.registration || id)), el("p", {}, `${a.model || "Type not recorded"}${a.serial ? `, serial ${a.serial}` : ""}. ${counters(a.counters)}.`), ...obstacles,
    el("p", { class: "take" }, el("a", { href: "#/due?subject=" + encodeURIComponent(a.name) }, "What is due on it"), " ", el("a", { href: "#/status?subject=" + encodeURIComponent(a.name) }, "Status on a date")),
    table("Engines fitted", ["Position", "Engine"], engines.map((e) => [e.position || "–", link("engine/" + last(e.name), e.serial)]), "No engine is fitted. An engine is fitted on its own page."),
    table("What was fitted, and when", ["What", "Position", "From", "To"], fittings.map((f) => [(engines.find((e) => e.name === f.item) || {}).serial || last(f.item), f.position || "–", date(f.installDate), f.removeDate ? date(f.removeDate) : "fitted"]), "Nothing was fitted yet."),
    may() ? fold("Change what is recorded of it", entering("aircraft-form", "Save", Object.values(b), save, again)) : null, el("section", { id: "aircraft-record", class: "job" }, el("h3", {}, "Its record"), ...record), el("p", {}, link("aircraft", "All aircraft"))].filter(Boolean);
}

function engineBoxes(e, models, withSerial) {
  return { ...(withSerial ? { serial: textBox("engine.serial", "engine-serial", "Serial number, as on its data plate", { value: e.serial, maxlength: "40" }) } : {}),
    engineModel: models.length ? pickBox("engine.engine_model", "engine-model", "Model", [["", "Choose one"], ...models], e.engineModel || "")
      : textBox("engine.engine_model", "engine-model", "Model", { value: e.engineModel, hint: "No model is recorded yet. An analyst or an administrator records it first." }),
    owner: textBox("engine.owner", "engine-owner", "Whose it is", { value: e.owner, maxlength: "63", autocapitalize: "none", hint: "Lower case; empty is nobody's." }),
    embodied: textBox("engine.embodied", "engine-embodied", "Modifications embodied and part numbers fitted, one a line", { rows: "3", value: (e.embodied || []).join("\n"), hint: "Directives apply by them." }) };
}

const engineValues = (b) => ({ engineModel: b.engineModel.value(), owner: b.owner.value(), embodied: lines(b.embodied.value()) });
const modelsOf = async () => (await otherwise(all("/v1/engineModels"), [])).map((m) => [m.name, m.displayName]);

// addEngine is the form on the page of all engines.
export async function addEngine(again) {
  if (!may()) return [];
  const b = engineBoxes({}, await modelsOf(), true), count = entered("engine", "engine"), made = dayBox("engine.manufacture_date", "engine-made", "Made on", undefined, "Only where requirements count from there.");
  return [el("section", { class: "job" }, el("h3", {}, "Add an engine"), entering("engine-form", "Add the engine", [...Object.values(b), ...count.boxes, made], async () => {
    const serial = b.serial.value(), engine = await send("/v1/engines" + query("engineId", serial), filled({ serial, ...engineValues(b), ...count.values(), manufactureDate: made.value() }));
    location.hash = "#/engine/" + last(engine.name);
    return "";
  }, again))];
}

// fitting puts an engine on an aircraft, or takes it off.
async function fitting(again, e) {
  if (!has("planner", "quality")) return null;
  if (e.aircraft) {
    const day = dayBox("remove_date", "remove-day", "Its last day there", today()), why = textBox("reason", "remove-why", "Why", { maxlength: "400" });
    return fold(`Take it off ${last(e.aircraft)}`, entering("remove-form", "Take it off", [day, why], async () => {
      await send(`/v1/${e.name}:remove`, filled({ etag: e.etag, removeDate: day.value(), reason: why.value() }));
      return "It is taken off: flying after that day no longer counts on it.";
    }, again));
  }
  const fleet = await all("/v1/aircraft");
  const on = pickBox("aircraft", "fit-aircraft", "Aircraft", [["", "Choose one"], ...fleet.map((a) => [a.name, a.registration || last(a.name)])]), where = textBox("position", "fit-position", "Position", { maxlength: "20", hint: "As your papers call it, such as left or 1." });
  const day = dayBox("install_date", "fit-day", "Its first day there", today());
  return fold("Fit it to an aircraft", entering("fit-form", "Fit it", [on, where, day], async () => {
    await send(`/v1/${e.name}:install`, filled({ etag: e.etag, aircraft: on.value(), position: where.value(), installDate: day.value() }));
    return "It is fitted: flying of that day and later counts on it.";
  }, again));
}

// engineForms are what is done with an engine's record on its page.
export async function engineForms(again, e) {
  if (!may()) return [];
  const b = engineBoxes(e, await modelsOf());
  const serial = textBox("engine.serial", "engine-serial", "Serial number, as on its data plate", { value: e.serial, maxlength: "40" });
  const save = async () => { await change(e, engineValues(b)); return "The engine is changed."; };
  const why = textBox("serial_correction_reason", "serial-why", "Why it is corrected", { maxlength: "400" });
  const correct = async () => { await send(`/v1/${e.name}?updateMask=serial&serialCorrectionReason=${encodeURIComponent(why.value())}`, { name: e.name, etag: e.etag, serial: serial.value() }, "PATCH"); return "The serial number is corrected; earlier records keep the one that they were made under."; };
  return [el("section", { id: "engine-record", class: "job" }, el("h3", {}, "Its record"), await fitting(again, e), fold("Change model, owner or modifications", entering("engine-form", "Save", Object.values(b), save, again)),
    fold("Correct its serial number", el("p", { class: "caution" }, "CAUTION: what is signed and what is due follows this engine under its serial number. Correct it only when the data plate says another."), entering("serial-form", "Correct it", [serial, why], correct, again)),
    ...await entryRecord(again, e, "Engine " + e.serial), (e.serialCorrections || []).length ? el("p", {}, "Recorded before under ", e.serialCorrections.map((c) => `${c.serial} (until ${instant(c.correctTime)}, ${last(c.corrector)}: ${c.reason})`).join("; "), ".") : null)];
}

