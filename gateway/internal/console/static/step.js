// One step of an order: what can hurt first, and nothing of the work before whoever does it acknowledged that; then what to do, the readings,
// the starter runs, what was used, and that it is done.
import { motoring } from "/motoring.js";
import { choice, field } from "/press.js";
import { readings } from "/readings.js";
import { signing } from "/sign.js";

const looked = ["STEP_KIND_INSPECT", "STEP_KIND_INDEPENDENT_INSPECTION", "STEP_KIND_WITNESS"];
// needed says that a step can't be left out, as the service will say.
const needed = (step) => step.critical || looked.includes(step.kind) || ["STEP_KIND_HOLD_POINT", "STEP_KIND_RESTORE_AND_COUNT"].includes(step.kind);
const words = { STEP_KIND_DO: "Do", STEP_KIND_MEASURE: "Measure", STEP_KIND_TIMED_RUN: "Timed run", STEP_KIND_MATERIAL: "Material", STEP_KIND_INSPECT: "Inspect",
  STEP_KIND_HOLD_POINT: "Hold point: nothing later is done before this is", STEP_KIND_INDEPENDENT_INSPECTION: "Inspection by another person than did the work",
  STEP_KIND_WITNESS: "Seen by a second person while it is done", STEP_KIND_TEST: "Functional test", STEP_KIND_RESTORE_AND_COUNT: "Put back and count" };

// materials are the lots that a step used: their codes are scanned, and each has its amount.
function materials({ el, get }) {
  const lines = [], place = el("div");
  const add = () => {
    const n = lines.length + 1;
    lines.push({ code: field(el, `lot-${n}`, `Lot ${n}: scan or type its code`), value: field(el, `lot-amount-${n}`, "Amount used", { inputmode: "decimal" }),
      unit: choice(el, `lot-unit-${n}`, "Unit", ["L", "mL", "[gal_us]", "kg", "g"].map((u) => [u, u])) });
    place.append(...lines.at(-1).code.nodes, ...lines.at(-1).value.nodes, ...lines.at(-1).unit.nodes);
  };
  add();
  const lot = async (code) => {
    if (code.startsWith("lots/")) return code;
    const scan = await get("/v1/lots:parseScan?code=" + encodeURIComponent(code));
    return scan.lot ? scan.lot.name : code; // what is no lot, the service says
  };
  const used = () => Promise.all(lines.filter((l) => l.code.value()).map(async (l) =>
    ({ lot: await lot(l.code.value()), quantity: { value: l.value.value().replace(",", "."), unitCode: l.unit.value() } })));
  return { nodes: [place, el("button", { type: "button", class: "quiet", onclick: add }, "Another lot")], body: async () => ({ materials: await used() }) };
}

// counted is what went out and what came back.
function counted({ el }) {
  const out = field(el, "removed", "Blanks, caps and tools that went out", { inputmode: "numeric" }), back = field(el, "restored", "That came back", { inputmode: "numeric" });
  return { nodes: [...out.nodes, ...back.nodes], body: async () => ({ removedItemCount: Number(out.value() || 0), restoredItemCount: Number(back.value() || 0) }) };
}

function completing(kit, act, step) {
  const { el } = kit, extra = { STEP_KIND_MATERIAL: materials, STEP_KIND_RESTORE_AND_COUNT: counted }[step.kind];
  const asked = extra ? extra(kit) : { nodes: [], body: async () => ({}) };
  const note = field(el, "note", "Note", { rows: "2", maxlength: "2000" }), why = field(el, "why-not", "Why it does not apply", { rows: "2", maxlength: "2000" });
  const complete = (body) => kit.send(`/v1/${step.name}:complete`, { etag: step.etag, ...body });
  return [...asked.nodes, el("details", {}, el("summary", {}, "Add a note"), ...note.nodes),
    act(`Step ${step.position} is done`, async () => complete({ ...await asked.body(), ...(note.value() ? { note: note.value() } : {}) }), `Step ${step.position} is done.`),
    needed(step) ? null : el("details", {}, el("summary", {}, "It does not apply"), ...why.nodes,
      act("Record that it does not apply", () => complete({ notApplicable: true, note: why.value() }), `Step ${step.position} does not apply.`))].filter(Boolean);
}

// open is what an open step asks of who does it.
async function open(kit, act, world, step) {
  const { el } = kit, me = kit.session(), role = looked.includes(step.kind) ? "inspector" : "technician";
  if (!me.roles.includes(role)) return [el("p", { class: "caution" }, `This step is done by ${role === "inspector" ? "an inspector" : "a technician"}.`)];
  if ((step.cautions || []).length && step.acknowledger !== me.person) {
    return [act("I have read this", () => kit.send(`/v1/${step.name}:acknowledge`, { etag: step.etag }), "Acknowledged.")];
  }
  const tools = (step.requiredTools || []).length ? [el("p", {}, "Tools: " + step.requiredTools.join(", "))] : [];
  return [el("p", { class: "instruction" }, step.instruction || "As approved data say."), ...tools, ...readings(kit, act, world, step),
    ...(step.kind === "STEP_KIND_TIMED_RUN" ? await motoring(kit, act, world, step) : []), ...completing(kit, act, step)];
}

export async function stepPanel(kit, act, world, step) {
  const { el, chip, last, link } = kit, unsigned = step.state === "DONE" && step.signatureRequired && !step.signature;
  const body = step.state === "OPEN" ? await open(kit, act, world, step)
    : [el("p", {}, chip(step.state), ` by ${last(step.performer)}, ${kit.instant(step.completeTime)}. ${step.note || ""}`),
      unsigned && step.performer !== kit.session().person ? el("p", { class: "caution" }, "Who did this step signs for it.") : null,
      unsigned && step.performer === kit.session().person ? await signing(kit, step.name, "Sign for the step", "PERFORMED", "sign") : null,
      unsigned ? null : el("p", {}, link("work/" + last(world.order.name), "Go on with the next step"))].filter(Boolean);
  return el("section", { id: "step", class: "job", tabindex: "-1" }, el("h3", {}, `${step.position} of ${world.steps.length}. ${step.title}`),
    el("p", {}, words[step.kind] || step.kind, step.critical ? ". ▲ CRITICAL: an error here can endanger flight." : ""),
    ...(step.cautions || []).map((c) => el("div", { class: "warned " + c.severity.toLowerCase() }, el("strong", {}, c.severity), el("p", {}, c.text))), ...body);
}
