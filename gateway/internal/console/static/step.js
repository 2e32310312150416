// One step of an order: what can hurt first, and nothing of the work before whoever does it acknowledged that; then what to do, the readings,
// the starter runs, what was used, and that it is done.
import { Refused, current, get, has, nowText, send } from "/api.js";
import { amount, chip, choice, decimal, el, field, fold, instant, last, link, unitText, words } from "/dom.js";
import { motoring } from "/motoring.js";
import { anewRead, readings } from "/readings.js";
import { signing } from "/sign.js";
import { enter } from "/waiting.js";

const looked = ["STEP_KIND_INSPECT", "STEP_KIND_INDEPENDENT_INSPECTION", "STEP_KIND_WITNESS"];
// needed says that a step can't be left out, as the service will say.
const needed = (step) => step.critical || looked.includes(step.kind) || ["STEP_KIND_HOLD_POINT", "STEP_KIND_RESTORE_AND_COUNT"].includes(step.kind);
const sentence = (text) => (/[.!?]$/.test(text) ? text : text + ".");
const kinds = { STEP_KIND_UNSPECIFIED: "Do", STEP_KIND_DO: "Do", STEP_KIND_MEASURE: "Measure", STEP_KIND_TIMED_RUN: "Timed run", STEP_KIND_MATERIAL: "Material", STEP_KIND_INSPECT: "Inspect",
  STEP_KIND_HOLD_POINT: "Hold point: nothing later is done before this is", STEP_KIND_INDEPENDENT_INSPECTION: "Inspection by another person than did the work",
  STEP_KIND_WITNESS: "Seen by a second person while it is done", STEP_KIND_TEST: "Functional test", STEP_KIND_RESTORE_AND_COUNT: "Put back and count" };

// materials are the lots that a step used: their codes are scanned, and each has its amount.
function materials(order) {
  const lines = [], place = el("div");
  const add = () => {
    const n = lines.length + 1;
    lines.push({ code: field(`lot-${n}`, `Lot ${n}: scan or type its code`), value: field(`lot-amount-${n}`, "Amount used", { inputmode: "decimal" }),
      unit: choice(`lot-unit-${n}`, "Unit", [["L", "L"], ["mL", "mL"], ["[gal_us]", "US gal"], ["kg", "kg"], ["g", "g"], ["{each}", "pieces"]]) });
    place.append(...lines.at(-1).code.nodes, ...lines.at(-1).value.nodes, ...lines.at(-1).unit.nodes);
  };
  add();
  const lot = async (code) => {
    if (code.startsWith("lots/")) return code;
    const scan = await get("/v1/lots:parseScan?code=" + encodeURIComponent(code));
    return scan.lot ? scan.lot.name : code; // what is no lot, the service says
  };
  // used are the lots with their amounts; one without the other would be lost, so it is refused.
  async function used() {
    const typed = lines.filter((l) => l.code.value() || l.value.value()), half = typed.find((l) => !l.code.value() || !l.value.value());
    if (half) throw new Refused(`Lot ${lines.indexOf(half) + 1} has ${half.code.value() ? "no amount" : "an amount and no code"}. Type both, or neither.`);
    return Promise.all(typed.map(async (l) => ({ lot: await lot(l.code.value()), quantity: { value: decimal(l.value.value()), unitCode: l.unit.value() } })));
  }
  return { nodes: [el("p", {}, "What is mixed here is recorded first, and has a code then. ", link("mix/" + last(order), "Mix for this order")), place, el("button", { type: "button", class: "quiet", onclick: add }, "Another lot")], body: async () => ({ materials: await used() }) };
}

// counted is what went out and what came back.
function counted() {
  const out = field("removed", "Blanks, caps and tools that went out", { inputmode: "numeric" }), back = field("restored", "That came back", { inputmode: "numeric" });
  const number = (box) => {
    if (!/^\d{1,6}$/.test(box.value())) throw new Refused("Count what went out and what came back, and type both numbers: 0 too, where nothing went out. What was not counted may still be in the engine.");
    return Number(box.value());
  };
  return { nodes: [...out.nodes, ...back.nodes], body: async () => ({ removedItemCount: number(out), restoredItemCount: number(back) }) };
}

function completing(act, world, step) {
  const extra = { STEP_KIND_MATERIAL: materials, STEP_KIND_RESTORE_AND_COUNT: counted }[step.kind];
  const asked = extra ? extra(world.order.name) : { nodes: [], body: async () => ({}) };
  const note = field("note", "Note", { rows: "2", maxlength: "2000" }), why = field("why-not", "Why it does not apply", { rows: "2", maxlength: "2000" });
  const complete = (title, body) => enter(world.order.name, `/v1/${step.name}:complete`, { etag: step.etag, completeTime: nowText(), ...body }, title);
  return [...asked.nodes, fold("Add a note", ...note.nodes),
    act(`Step ${step.position} is done`, async () => complete(`Step ${step.position} is done`, { ...await asked.body(), ...(note.value() ? { note: note.value() } : {}) }), `Step ${step.position} is done.`),
    needed(step) ? null : fold("It does not apply", ...why.nodes,
      act("Record that it does not apply", () => complete(`Step ${step.position} does not apply`, { notApplicable: true, note: why.value() }), `Step ${step.position} does not apply.`))].filter(Boolean);
}

// open is what an open step asks of who does it.
function open(kit, act, world, step) {
  const role = looked.includes(step.kind) ? "inspector" : "technician";
  if (!has(role)) return [el("p", { class: "caution" }, `This step is done by ${role === "inspector" ? "an inspector" : "a technician"}.`)];
  if ((step.cautions || []).length && step.acknowledger !== current().person) {
    return [act("I have read this", () => enter(world.order.name, `/v1/${step.name}:acknowledge`, { etag: step.etag }, `Cautions of step ${step.position} were read`), "Acknowledged.")];
  }
  const tools = (step.requiredTools || []).length ? [el("p", {}, "Tools: " + step.requiredTools.join(", "))] : [];
  return [el("p", { class: "instruction" }, step.instruction || "As approved data say."), ...tools, ...readings(kit, act, world, step),
    ...(step.kind === "STEP_KIND_TIMED_RUN" ? motoring(kit, act, world, step) : []), ...completing(act, world, step)];
}

// earlier is what was recorded on a step before it was opened again; it stays in sight.
function earlier(kit, step) {
  const went = (e) => [e.note && sentence(e.note), (e.removedItemCount || e.restoredItemCount) && `${e.removedItemCount || 0} went out and ${e.restoredItemCount || 0} came back.`,
    ...(e.materials || []).map((m) => `${amount(m.quantity)} of ${last(m.lot)} was used and stays booked.`), e.signature && "It was signed, and that signature counts no more."].filter(Boolean);
  const line = (e) => el("li", {}, [`Before: ${words(e.state)} by ${kit.who(e.performer)}, ${instant(e.completeTime)}.`, ...went(e), `Opened again by ${kit.who(e.reopener)}, ${instant(e.reopenTime)}: ${e.reason}`].join(" "));
  return (step.earlier || []).length ? [el("ul", {}, ...step.earlier.map(line))] : [];
}

// anew opens a step again that is done once more, or on which something wrong was recorded.
function anew(act, world, step) {
  if (world.order.state !== "STARTED" || step.waiting || !world.fresh || !has("technician", "inspector", "quality")) return [];
  const why = field("anew-reason", "Why it is done again, or what was recorded wrongly", { maxlength: "400" });
  return [fold("Open this step again", el("p", {}, "Its cautions are read and its readings taken anew, and looks at the work that come after it are made again. What was recorded stays in sight."), ...why.nodes,
    act("Open it again", () => send(`/v1/${step.name}:reopen`, { etag: step.etag, reason: why.value() }), "The step is open again."))];
}

// done is what a step shows that is no longer open.
async function done(kit, act, world, step) {
  const unsigned = step.state === "DONE" && step.signatureRequired && !step.signature, own = step.performer === current().person;
  const said = el("p", {}, chip(step.waiting ? "WAITING" : step.state), ` by ${kit.who(step.performer)}, ${instant(step.completeTime)}. ${step.note || ""}`);
  said.append(...world.measurements.filter((m) => m.step === step.name && !m.successor && anewRead(step, m)).flatMap((m) => [el("br"), `${m.key}: ${m.entered.text} ${unitText(m.entered.unitCode)}${m.limitsMet ? "" : " ■ OUTSIDE LIMITS"}`]));
  if (!unsigned) return [said, el("p", {}, link("work/" + last(world.order.name), "Go on with the next step")), ...anew(act, world, step)];
  if (step.waiting || !world.fresh) return [said, el("p", { class: "caution" }, "Who did this step signs for it once there is a connection.")];
  return [said, own ? await signing(kit.again, step.name, "Sign for the step", "PERFORMED", "sign") : el("p", { class: "caution" }, "Who did this step signs for it.")];
}

export async function stepPanel(kit, act, world, step) {
  const body = step.state === "OPEN" ? open(kit, act, world, step) : await done(kit, act, world, step);
  return el("section", { id: "step", class: "job", tabindex: "-1", "data-of": step.name }, el("h3", {}, `${step.position} of ${world.steps.length}. ${step.title}`),
    el("p", {}, kinds[step.kind] || words(step.kind), step.critical ? ". ▲ CRITICAL: an error here can endanger flight." : ""),
    ...(step.cautions || []).map((c) => el("div", { class: "warned " + c.severity.toLowerCase() }, el("strong", {}, c.severity), el("p", {}, c.text))), ...earlier(kit, step), ...body);
}
