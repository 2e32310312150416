// Requirements: what is due, on what and when, as the approved document says. What was typed is said in words before anything is recorded, as due dates follow from it.
import { Refused, all, get, has, otherwise, send } from "/api.js";
import { date, el, fold, last, link, table, words } from "/dom.js";
import { dayBox, entering, filled, idOf, lines, numberBox, pickBox, textBox, tickBox, wrong } from "/entry.js";
import { hoursText, isEmpty, treeForm, treeWords } from "/limits.js";
import { paged } from "/paging.js";
import { pressing } from "/press.js";
import { document_ } from "/standing.js";

const kinds = [["INSPECTION", "inspection"], ["DIRECTIVE", "directive of an authority"], ["BULLETIN", "bulletin of a maker"], ["LIFE_LIMIT", "life limit"], ["OVERHAUL", "overhaul"], ["COMPONENT_CHECK", "check of a component"], ["CALIBRATION", "calibration"], ["PROGRAMME_ITEM", "item of the programme, such as a wash"]];
const starts = [["START_EVENT_UNSPECIFIED", "the last time that it was done"], ["MANUFACTURE", "when it was made"], ["INSTALLATION", "when it was fitted to the aircraft"], ["OVERHAUL_DONE", "its last overhaul"], ["EFFECTIVE_DATE", "the first day that the requirement applies"]];
const rebases = [["FROM_DONE", "when it was done"], ["FROM_DUE_IF_LATE", "when it was due, if it was done late; else when it was done"], ["FIXED_GRID", "when it was due, whether it was done early or late"]];
const subjects = [["NONE", "not decided yet"], ["ENGINES", "engines"], ["COMPONENTS", "components, by their part numbers"], ["AIRCRAFT", "aircraft"]];
const may = () => has("planner", "quality"), strict = (kind) => kind === "DIRECTIVE" || kind === "LIFE_LIMIT";
const named = (list, value) => (list.find(([v]) => v === value) || list[0])[1], listed = (list) => (list || []).join(", ");

// appliesWords says on what a requirement is held against.
function appliesWords(a, called = (name) => last(name)) {
  if (!a) return "Nobody has decided to what it applies: every engine shows it as ◌ NO DATA, not as compliant, until somebody does.";
  const range = (r) => (r.firstSerial === r.lastSerial ? r.firstSerial : `${r.firstSerial} to ${r.lastSerial}`), ranges = (excluded) => (a.serialRanges || []).filter((r) => Boolean(r.excluded) === excluded).map(range).join(", ");
  const said = [["of the model", (a.engineModels || []).map(called)], ["of the aircraft type", a.aircraftModels], ["with the part number", a.partNumbers], ["namely", (a.engines || []).map(called)], ["on", (a.aircraft || []).map(called)], ["with the serial numbers", [ranges(false)].filter(Boolean)],
    ["but not", [ranges(true)].filter(Boolean)], ["with any of these embodied:", a.embodiedAny], ["with none of these embodied:", a.embodiedNone]].filter(([, list]) => (list || []).length).map(([how, list]) => `${how} ${listed(list)}`);
  const what = { COMPONENTS: "components", AIRCRAFT: "aircraft" }[a.subjectKind] || "engines";
  return said.length ? `It applies to ${what} ${said.join(", ")}.` : `It applies to all ${what}.`;
}

const days = ["DAYS", "MONTHS", "CALENDAR_MONTHS_END"], used = ["HOURS", "CYCLES", "STARTS"];
// has_ says whether a tree has a limit of one of these units.
const has_ = (t, units) => Boolean(t) && ((t.limits || []).some((l) => units.includes(l.unit)) || (t.trees || []).some((s) => has_(s, units)));

// firstWords says when it is first due. Where nothing says what the first interval starts at, days count from the first day of the requirement, and all others from new.
function firstWords(r) {
  const stated = r.startEvent && !["START_EVENT_UNSPECIFIED", "LAST_DONE"].includes(r.startEvent), tree = isEmpty(r.initial) ? r.repeat : r.initial;
  if (isEmpty(r.initial) && !stated) return "First: until a record says when it was last done it stands as ◌ NO DATA, and does not count as compliant.";
  if (!stated) return `First: ${treeWords(tree)}${has_(tree, days) ? (r.effectiveDate ? `; days and months from the first day that it applies, ${date(r.effectiveDate)}` : "; days and months can't be counted, as the first day that it applies is missing: it stands as ◌ NO DATA") : ""}${has_(tree, used) ? "; hours, cycles and starts from new" : ""}.`;
  return `First: ${treeWords(tree)}, counted from ${named(starts, r.startEvent)}${r.startEvent === "EFFECTIVE_DATE" ? `, ${date(r.effectiveDate)}` : ""}.`;
}

const spread = (t) => [t.operatingSeconds > 0 && hoursText(t.operatingSeconds), t.cycles > 0 && `${t.cycles} cycles`, t.days > 0 && `${t.days} days`].filter(Boolean).join(", ");

// meaning are the sentences that say what a requirement asks for.
export const meaning = (r, called) => [appliesWords(r.applicability, called), firstWords(r),
  isEmpty(r.repeat) ? "Then never again: once it is done it is done for good." : `Then again after ${treeWords(r.repeat)}, counted from ${named(rebases, r.rebase)}.`,
  strict(r.kind) ? `A ${named(kinds, r.kind)} has no tolerance: past its limit it is ■ OVERDUE.`
    : r.tolerance ? `It may run over by ${[spread(r.tolerance), (r.tolerance.steps || []).length && `a table of ${r.tolerance.steps.length} steps by the length of the interval`].filter(Boolean).join(" and ") || "nothing"}, as ${document_(r.tolerance.document)} permits; past that it is ■ OVERDUE.` : "It may not run over: past its limit it is ■ OVERDUE.",
  r.soft ? "Its life is soft: past it, it is done at the next shop visit." : "", `It is told as ◐ NEAR ${r.near && spread(r.near) ? spread(r.near) : "30 days, 25 h or 25 cycles"} before.`,
  r.taskCard ? `The task card ${called ? called(r.taskCard) : last(r.taskCard)} does it.` : "No task card does it yet, so no order is drafted for it by itself.",
  r.terminates ? `Doing it ends ${called ? called(r.terminates) : last(r.terminates)} for good.` : "", r.successor ? `${called ? called(r.successor) : last(r.successor)} takes its place.` : ""].filter(Boolean);

// rangesOf reads serial numbers, a line a range: "A-100 to A-250", "A-300", "not A-120 to A-130".
const rangesOf = (box) => lines(box.value()).map((line) => {
  const [, not, first, until] = /^(not\s+)?(\S+)(?:\s+to\s+(\S+))?$/.exec(line) || [];
  if (!first) throw wrong(box.path, `“${line}” is no range of serial numbers. Write one a line, such as A-100 to A-250, or not A-120.`);
  return { firstSerial: first, lastSerial: until || first, ...(not ? { excluded: true } : {}) };
});
const rangeText = (r) => `${r.excluded ? "not " : ""}${r.firstSerial}${r.lastSerial === r.firstSerial ? "" : " to " + r.lastSerial}`;

// some are boxes to tick, one for each of a list.
function some(id, title, options, chosen) {
  const ticks = options.map(([name, text], i) => ({ name, ...tickBox("", `${id}-${i}`, text, (chosen || []).includes(name)) })), beyond = (chosen || []).filter((c) => !options.some(([name]) => name === c));
  return { nodes: [el("fieldset", {}, el("legend", {}, title), ...ticks.flatMap((t) => t.nodes))], value: () => [...ticks.filter((t) => t.value()).map((t) => t.name), ...beyond] };
}

// applying are the boxes that say on what it is held against. Engines and aircraft that are named stay as they are.
function applying(a, models) {
  const at = (name) => "requirement.applicability." + name, list = (key, id, label, hint) => textBox(at(key), id, label, { rows: "2", hint, value: (a && a[key.replace(/_(\w)/g, (_, c) => c.toUpperCase())] || []).join("\n") });
  const kind = pickBox("requirement.applicability", "req-subject", "It applies to", subjects, a ? { COMPONENTS: "COMPONENTS", AIRCRAFT: "AIRCRAFT" }[a.subjectKind] || "ENGINES" : "NONE");
  const of = some("req-model", "Only on these models of engine; none ticked is every model", models, a && a.engineModels), serials = textBox(at("serial_ranges"), "req-serials", "Only these serial numbers, a range a line", { rows: "2", hint: "Such as A-100 to A-250, or not A-120 for one that is excepted. Empty: every serial number.", value: (a && a.serialRanges || []).map(rangeText).join("\n") });
  const parts = list("part_numbers", "req-parts", "Only these part numbers, one a line"), types = list("aircraft_models", "req-types", "Only these types of aircraft, one a line"), any = list("embodied_any", "req-any", "Only where one of these is embodied, one a line"), none = list("embodied_none", "req-none", "Not where one of these is embodied, one a line");
  const places = [[["ENGINES", "COMPONENTS"], of.nodes], [["COMPONENTS"], parts.nodes], [["AIRCRAFT"], types.nodes], [["ENGINES", "COMPONENTS", "AIRCRAFT"], [...serials.nodes, ...any.nodes, ...none.nodes]]].map(([on, nodes]) => [on, el("div", {}, ...nodes)]);
  const fits = () => places.forEach(([on, place]) => { place.hidden = !on.includes(kind.value()); });
  kind.box.addEventListener("change", fits);
  fits();
  const value = () => (kind.value() === "NONE" ? undefined : filled({ ...a, subjectKind: kind.value(), engineModels: kind.value() === "AIRCRAFT" ? [] : of.value(), partNumbers: kind.value() === "COMPONENTS" ? lines(parts.value()) : [], aircraftModels: kind.value() === "AIRCRAFT" ? lines(types.value()) : [],
    serialRanges: rangesOf(serials), embodiedAny: lines(any.value()), embodiedNone: lines(none.value()) }));
  return { part: { nodes: [el("fieldset", {}, el("legend", {}, "To what it applies"), ...kind.nodes, ...places.map(([, place]) => place))], boxes: () => [kind, parts, types, serials, any, none] }, value };
}

// beside puts short boxes side by side, where the screen is wide enough.
const beside = (...boxes) => el("div", { class: "beside" }, ...boxes.map((b) => el("div", {}, ...b.nodes)));

// amounts are hours, cycles and days, such as of a tolerance.
function amounts(id, path, t, label) {
  const hours = numberBox(path + ".operating_seconds", id + "-hours", `${label}, h`, t.operatingSeconds > 0 ? Number(t.operatingSeconds) / 3600 : undefined), cycles = numberBox(path + ".cycles", id + "-cycles", `${label}, cycles`, t.cycles > 0 ? t.cycles : undefined), days = numberBox(path + ".days", id + "-days", `${label}, days`, t.days > 0 ? t.days : undefined);
  const whole = (box) => { const n = box.value(); if (n !== undefined && !(Number.isInteger(n) && n >= 0)) throw wrong(box.path, "Give a whole number."); return n; };
  return { boxes: [hours, cycles, days], nodes: [beside(hours, cycles, days)], value: () => { const h = hours.value(), c = whole(cycles), d = whole(days); return filled({ operatingSeconds: h === undefined ? undefined : String(Math.round(h * 3600)), cycles: c === undefined ? undefined : String(c), days: d }); } };
}

// overrun asks by how much it may run over: of a directive and of a life limit never.
function overrun(t, kind) {
  const over = amounts("req-tol", "requirement.tolerance", t || {}, "May run over by"), doc = (t && t.document) || {};
  const title = textBox("requirement.tolerance.document", "req-tol-document", "Document that permits it", { value: doc.title, maxlength: "200" }), revision = textBox("requirement.tolerance.document.revision", "req-tol-revision", "Its revision", { value: doc.revision, maxlength: "64" });
  const part = { nodes: [el("fieldset", {}, el("legend", {}, "Tolerance"), el("p", { class: "hint" }, "Empty: it may not run over at all."), ...over.nodes, beside(title, revision))], boxes: () => [...over.boxes, title, revision] }, fits = () => { part.nodes[0].hidden = strict(kind.value()); };
  kind.box.addEventListener("change", fits);
  fits();
  const value = () => {
    const by = over.value(), steps = (t && t.steps) || [];
    return strict(kind.value()) || (!Object.keys(by).length && !steps.length) ? undefined : filled({ ...by, steps, document: filled({ ...doc, title: title.value(), revision: revision.value() }) });
  };
  return { part, value };
}

// boxesOf are all boxes of a requirement, and how they are read.
function boxesOf(r, known, changed) {
  const d = r.document || {}, text = (path, id, label, value, more = {}) => textBox("requirement." + path, id, label, { value, ...more });
  const code = text("code", "req-code", "Its number, as in the programme or directive", r.code, { maxlength: "80" }), title = text("display_name", "req-title", "What is required", r.displayName, { maxlength: "200" }), kind = pickBox("requirement.kind", "req-kind", "Kind", [["", "Choose one"], ...kinds], r.kind || "");
  const doc = text("document", "req-document", "Approved document that requires it", d.title, { maxlength: "200" }), revision = text("document.revision", "req-revision", "Its revision", d.revision, { maxlength: "64" }), section = text("document.section", "req-section", "Its section", d.section, { maxlength: "120" });
  const first = dayBox("requirement.effective_date", "req-from", "First day that it applies", r.effectiveDate), applies = applying(r.applicability, known.models), tolerance = overrun(r.tolerance, kind);
  const repeat = treeForm("req-repeat", "requirement.repeat", r.repeat || {}, { legend: "Due again after", hint: "Empty: it is done once, and never again.", changed });
  const initial = treeForm("req-initial", "requirement.initial", r.initial || {}, { legend: "First due at, where that is another", hint: "Empty: the first time is as every other.", changed });
  const tree = (t) => ({ nodes: [t.node], boxes: t.boxes }), start = pickBox("requirement.start_event", "req-start", "The first interval counts from", starts, r.startEvent === "LAST_DONE" ? "START_EVENT_UNSPECIFIED" : r.startEvent), rebase = pickBox("requirement.rebase", "req-rebase", "Each further one counts from", rebases, r.rebase);
  const near = amounts("req-near", "requirement.near", r.near || {}, "Told as near before"), card = pickBox("requirement.task_card", "req-card", "Task card that does it", [["", "none"], ...known.cards], r.taskCard || ""), soft = tickBox("requirement.soft", "req-soft", "A soft life: past it, it is done at the next shop visit", r.soft);
  const others = [["", "none"], ...known.others], ends = pickBox("requirement.terminates", "req-ends", "Doing it ends for good", others, r.terminates || ""), next = pickBox("requirement.successor", "req-next", "What took its place", others, r.successor || "");
  const more = { nodes: [fold("Less common: what intervals count from, when it is near, what it ends", beside(start, rebase), ...near.nodes, ...soft.nodes, beside(ends, next), initial.node)], boxes: () => [start, rebase, ...near.boxes, soft, ends, next, ...initial.boxes()] };
  const read = () => {
    const trees = { repeat: repeat.read(), initial: initial.read() }, before = near.value();
    return { code: code.value(), displayName: title.value(), kind: kind.value(), document: filled({ ...d, title: doc.value(), revision: revision.value(), section: section.value() }), applicability: applies.value(), repeat: isEmpty(trees.repeat) ? undefined : trees.repeat, initial: isEmpty(trees.initial) ? undefined : trees.initial,
      startEvent: start.value(), rebase: rebase.value(), effectiveDate: first.value(), tolerance: tolerance.value(), near: Object.keys(before).length ? before : undefined, taskCard: card.value(), terminates: ends.value(), successor: next.value(), soft: soft.value() };
  };
  const group = (...boxes) => ({ nodes: [beside(...boxes)], boxes: () => boxes });
  return { parts: [group(code, title), group(kind, first), group(doc, revision, section), applies.part, tree(repeat), tolerance.part, card, more], read };
}

// knownOf are what a requirement may name, and what people call it.
async function knownOf(r) {
  const [models, cards, all_] = await Promise.all([otherwise(all("/v1/engineModels"), []), otherwise(all("/v1/taskCards"), []), all("/v1/requirements")]);
  const calls = new Map([...models, ...cards, ...all_].map((x) => [x.name, x.code ? `${x.code} ${x.displayName}` : x.displayName]));
  return { models: models.map((m) => [m.name, m.displayName]), cards: cards.map((c) => [c.name, c.displayName]), others: all_.filter((o) => o.name !== r.name).map((o) => [o.name, `${o.code} ${o.displayName}`]), called: (name) => calls.get(name) || last(name) };
}

const newId = (code) => idOf(code).replace(/^(?=\d)/, "r-");

// requirementForm says in words what is typed, has the service check it, and records just what was checked.
function requirementForm(again, r, known) {
  const said = el("section", { id: "meaning", class: "meaning", "aria-live": "polite" }), place = el("div", { id: "checked" });
  let read = null, checked = "";
  // tell says what is typed; what was checked before can't be recorded any more once it is another.
  function tell() {
    if (!read) return;
    let values = null, list = null;
    try { values = read(); list = meaning(values, known.called); } catch (e) { if (!(e instanceof Refused)) throw e; list = [(e.violations[0] || {}).description || e.message]; }
    if (JSON.stringify(values) !== checked) place.replaceChildren();
    said.replaceChildren(el("h3", {}, "What it means"), el("ul", {}, ...list.map((l) => el("li", {}, l))));
  }
  const made = boxesOf(r, known, tell), body = (values, more) => send(r.name ? `/v1/${r.name}?updateMask=${Object.keys(values).join(",")}${more}` : `/v1/requirements?requirementId=${encodeURIComponent(newId(values.code))}${more}`, r.name ? { name: r.name, etag: r.etag, ...values } : filled(values), r.name ? "PATCH" : "POST");
  read = made.read;
  const form = entering("requirement-form", "Check it; nothing is recorded yet", made.parts, async () => {
    const values = read();
    if (!values.kind) throw wrong("requirement.kind", "Choose what kind of requirement it is.");
    await body(values, "&validateOnly=true");
    return values;
  }, (values) => {
    checked = JSON.stringify(values);
    const record = pressing(again)(r.name ? "Record the next revision" : "Record the requirement", async () => {
      const kept = await body(values, "");
      if (!r.name) location.hash = "#/requirements/" + last(kept.name);
      return `${kept.code}, revision ${kept.revision}, is recorded; the due list follows it.`;
    }, "");
    place.replaceChildren(el("p", {}, "✓ The service found nothing wrong. Read what it means above once more against the document: due dates follow from it."), record);
    record.querySelector("button").focus();
  });
  form.addEventListener("input", tell);
  form.addEventListener("change", tell);
  tell();
  form.querySelector(":scope > .press").before(said);
  return el("div", {}, form, place);
}

const when = (r) => [treeWords(r.initial) && `first ${treeWords(r.initial)}`, isEmpty(r.repeat) ? "once" : treeWords(r.repeat)].filter(Boolean).join("; then ");

export async function requirementsPage(again, id, asked) {
  if (id) return oneRequirement(again, id);
  const known = await knownOf({}), found = await paged("/v1/requirements", asked), rows = found.rows.map((r) => [link("requirements/" + last(r.name), r.code), r.displayName, named(kinds, r.kind), when(r), appliesWords(r.applicability, known.called).replace(/^It applies to /, "").replace(/:.*$/, "").replace(/\.$/, ""), document_(r.document)]);
  const add = may() ? fold("Add a requirement", requirementForm(again, {}, known)) : el("p", {}, "A planner or quality adds requirements.");
  if (!found.rows.length && may()) add.open = true;
  return [el("h2", {}, "Requirements"), table(`What the programme, directives and limits ask for: ${found.at}`, ["Code", "Requirement", "Kind", "When", "On", "By"], rows, "No requirement yet, so nothing is due and nothing is known to be. Enter them from the approved programme, or import them as a table."), found.ways, add].filter(Boolean);
}

async function oneRequirement(again, id) {
  const r = await get("/v1/requirements/" + encodeURIComponent(id)), known = await knownOf(r);
  return [el("h2", {}, `${r.code} ${r.displayName}`), el("p", {}, `${words(named(kinds, r.kind))}, revision ${r.revision}, by ${document_(r.document)}; it applies from ${date(r.effectiveDate)}.`), el("section", { class: "meaning" }, el("h3", {}, "What it means"), el("ul", {}, ...meaning(r, known.called).map((l) => el("li", {}, l)))),
    el("p", { class: "take" }, el("a", { href: "#/evidence?requirement=" + encodeURIComponent(r.name) }, "Evidence"), " ", link("due", "Due list"), " ", link("requirements", "All requirements")),
    may() ? fold("Make its next revision", requirementForm(again, r, known)) : null].filter(Boolean);
}
