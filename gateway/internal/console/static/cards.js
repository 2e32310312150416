// Task cards: what is done, step after step, with what can hurt before each. A change is a new revision; orders keep the one that they were drafted from.
import { get, has, otherwise, send } from "/api.js";
import { el, fold, last, link, table, words } from "/dom.js";
import { entering, filled, idOf, lines, numberBox, pickBox, textBox, tickBox, wrong } from "/entry.js";
import { paged } from "/paging.js";
import { document_ } from "/standing.js";

const kinds = [["RECOVERY_WASH", "wash with cleaner"], ["SALT_RINSE", "water rinse against salt"], ["RING_FLOW_CHECK", "spray ring's flow check"], ["SENSE_LINE_HEATER_CHECK", "sense line's heater check"],
  ["TEMPERATURE_TRIM_CHECK", "temperature trim check"], ["GROUND_RUN", "ground run"], ["OTHER", "something else"]];
const stepKinds = [["STEP_KIND_DO", "Do"], ["STEP_KIND_MEASURE", "Measure"], ["STEP_KIND_TIMED_RUN", "Run of the starter, timed"], ["STEP_KIND_MATERIAL", "Material: lots and amounts"],
  ["STEP_KIND_HOLD_POINT", "Hold point: nothing later before it"], ["STEP_KIND_INSPECT", "Inspect"], ["STEP_KIND_INDEPENDENT_INSPECTION", "Inspection by another person"], ["STEP_KIND_WITNESS", "Seen by a second person"],
  ["STEP_KIND_TEST", "Functional test"], ["STEP_KIND_RESTORE_AND_COUNT", "Put back and count"]];
const may = () => has("planner", "quality");

// reading is one reading that a step asks for.
function reading(id, path, m) {
  const name = textBox(path + ".display_name", id + "-name", "Reading", { value: m.displayName, maxlength: "120" }), unit = textBox(path + ".unit_code", id + "-unit", "Unit", { value: m.unitCode, maxlength: "24", hint: "UCUM, such as kPa, Cel, L, Ohm or A." });
  const low = numberBox(path + ".min_value", id + "-low", "Lowest allowed", m.minValue), high = numberBox(path + ".max_value", id + "-high", "Highest allowed", m.maxValue);
  const source = textBox(path + ".source", id + "-source", "Where the limits are from", { value: m.source, maxlength: "200" }), tool = tickBox(path + ".tool_required", id + "-tool", "With a tool in calibration", m.toolRequired);
  return { boxes: [name, unit, low, high, source, tool], empty: () => !name.value(),
    value: () => filled({ key: m.key || idOf(name.value()).replaceAll("-", "_"), displayName: name.value(), unitCode: unit.value(), minValue: low.value(), maxValue: high.value(), source: source.value(), toolRequired: tool.value(), derived: m.derived }) };
}

// stepForm is one step of the card; what it warns of stands above what is done. Its n counts the steps that were drawn; number says which it is.
function stepForm(n, s, drop) {
  const id = "step-" + n, at = (name) => `task_card.steps[${n}].${name}`, caution = (severity) => (s.cautions || []).filter((c) => c.severity === severity).map((c) => c.text).join("\n");
  const title = textBox(at("title"), id + "-title", "What is done, in a few words", { value: s.title, maxlength: "160" }), kind = pickBox(at("kind"), id + "-kind", "Kind", stepKinds, s.kind || "STEP_KIND_DO");
  const warnings = textBox(at("cautions"), id + "-warnings", "WARNINGS: what can hurt people, one a line", { rows: "2", value: caution("WARNING") }), cautions = textBox(at("cautions_"), id + "-cautions", "CAUTIONS: what can be damaged, one a line", { rows: "2", value: caution("CAUTION") });
  const text = textBox(at("instruction"), id + "-text", "How, as approved data say", { rows: "3", value: s.instruction, maxlength: "2000" }), tools = textBox(at("required_tools"), id + "-tools", "Types of tool needed, with commas", { value: (s.requiredTools || []).join(", ") });
  const critical = tickBox(at("critical"), id + "-critical", "Critical: an error here could endanger flight", s.critical), signed = tickBox(at("signature_required"), id + "-signed", "Signed for by itself", s.signatureRequired);
  const readings = (s.measurements || []).map((m, i) => reading(`${id}-m${i}`, at(`measurements[${i}]`), m)), place = el("div", {}, ...readings.map(group));
  function group(r) { return el("fieldset", {}, el("legend", {}, "Reading"), ...r.boxes.flatMap((b) => b.nodes)); }
  const more = el("button", { type: "button", class: "back", onclick: () => { const r = reading(`${id}-m${readings.length}`, at(`measurements[${readings.length}]`), {}); readings.push(r); place.append(group(r)); } }, "Another reading");
  const source = (t) => ((s.cautions || []).find((c) => c.text === t) || {}).source;
  const told = (severity, box) => lines(box.value()).map((t) => filled({ severity, text: t, source: source(t) }));
  const own = [title, kind, warnings, cautions, text, tools, critical, signed];
  const legend = el("legend", {}, ""), boxes = () => [...own, ...readings.flatMap((r) => r.boxes)];
  const number = (i) => { legend.textContent = `Step ${i + 1}`; for (const b of boxes()) b.path = b.path.replace(/steps\[\d+\]/, `steps[${i}]`); };
  return { boxes, number, node: el("fieldset", { id }, legend, ...own.flatMap((b) => b.nodes), place, more, " ", el("button", { type: "button", class: "back", onclick: drop }, "Take this step out")),
    value: () => filled({ title: title.value(), kind: kind.value(), instruction: text.value(), cautions: [...told("WARNING", warnings), ...told("CAUTION", cautions)], measurements: readings.filter((r) => !r.empty()).map((r) => r.value()),
      requiredTools: tools.value().split(",").map((t) => t.trim()).filter(Boolean), requiredAuthorizations: s.requiredAuthorizations, critical: critical.value(), signatureRequired: signed.value() }) };
}

// unused refuses a new card under the name of one that is there, which the service would take for its next revision.
async function unused(id) {
  const there = id && await otherwise(get("/v1/taskCards/" + id), null);
  if (there) throw wrong("task_card.display_name", `There is a card of this name, ${there.displayName}. Open it to make its next revision, or give this one another name.`);
}

// cardForm is the form of a card, new or as its newest revision is.
function cardForm(again, c, id) {
  const name = textBox("task_card.display_name", "card-name", "Name of the card", { value: c.displayName, maxlength: "160" }), kind = pickBox("task_card.kind", "card-kind", "Kind of work", kinds, c.kind || "OTHER");
  const d = c.document || {}, title = textBox("task_card.document", "card-document", "Approved document that it follows", { value: d.title, maxlength: "200" }), revision = textBox("task_card.document.revision", "card-revision", "Its revision", { value: d.revision, maxlength: "64" });
  const section = textBox("task_card.document.section", "card-section", "Its section", { value: d.section, maxlength: "120" }), looked = tickBox("task_card.inspection_required", "card-inspected", "Another person inspects the work before the release", c.inspectionRequired);
  const place = el("div", { id: "card-steps" }), held = [];
  let drawn = 0;
  const numbered = () => held.forEach((s, i) => s.number(i));
  function add(s) {
    const made = stepForm(drawn++, s, () => { held.splice(held.indexOf(made), 1); made.node.remove(); numbered(); });
    held.push(made);
    place.append(made.node);
    numbered();
  }
  (c.steps && c.steps.length ? c.steps : [{}]).forEach(add);
  const more = el("p", {}, el("button", { type: "button", class: "back", onclick: () => { add({}); held.at(-1).boxes()[0].box.focus(); } }, "Another step"));
  const steps = { nodes: [place, more], boxes: () => held.flatMap((s) => s.boxes()) };
  return entering("card-form", id ? "Make the next revision" : "Add the card", [name, kind, title, revision, section, looked, steps], async () => {
    const body = filled({ displayName: name.value(), kind: kind.value(), document: filled({ title: title.value(), revision: revision.value(), section: section.value() }), inspectionRequired: looked.value(), steps: held.map((s) => s.value()), requiredAuthorizations: c.requiredAuthorizations || ["perform"] });
    if (!id) await unused(idOf(name.value()));
    const made = await send("/v1/taskCards?taskCardId=" + encodeURIComponent(id || idOf(name.value())), body);
    if (!id) location.hash = "#/cards/" + last(made.name);
    return `Revision ${made.revision} is made. Orders that are drafted from now on use it.`;
  }, again);
}

const sampled = (c) => (c.sample ? "▲ sample of the suite: replace it by approved data" : document_(c.document));

export async function cardsPage(again, id, asked) {
  if (id) return oneCard(again, id);
  const cards = await paged("/v1/taskCards", asked);
  return [el("h2", {}, "Task cards"), table(`How each task is done: ${cards.at}`, ["Card", "Kind", "Revision", "By", "Inspected"],
    cards.rows.map((c) => [link("cards/" + last(c.name), c.displayName), words(c.kind), String(c.revision), sampled(c), c.inspectionRequired ? "by another person" : "–"]), "No card yet."), cards.ways,
  may() ? fold("Add a card", cardForm(again, {})) : el("p", {}, "A planner or quality adds cards.")].filter(Boolean);
}

async function oneCard(again, id) {
  const c = await get("/v1/taskCards/" + encodeURIComponent(id));
  const steps = c.steps.map((s, i) => el("li", { value: String(i + 1) }, el("strong", {}, s.title), s.critical ? " ▲ CRITICAL" : "", ...(s.cautions || []).map((w) => el("p", { class: "caution" }, el("strong", {}, w.severity + ": "), w.text)),
    s.instruction ? el("p", {}, s.instruction) : null, ...(s.measurements || []).map((m) => el("p", {}, `Reading: ${m.displayName}, ${m.minValue ?? "–"} to ${m.maxValue ?? "–"} ${m.unitCode}${m.source ? ` (${m.source})` : ""}`))));
  return [el("h2", {}, c.displayName), el("p", {}, `${words(c.kind)}, revision ${c.revision}. `, c.inspectionRequired ? "Another person inspects it. " : "", sampled(c)), c.sample ? el("p", { class: "caution" }, "This card is a sample. Enter the steps and the cautions of your approved data, which govern.") : null,
    el("ol", {}, ...steps), may() ? fold("Change it by a new revision", cardForm(again, c, id)) : null, el("p", {}, link("cards", "All cards"))].filter(Boolean);
}
