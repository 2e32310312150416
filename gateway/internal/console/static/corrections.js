// Entries that were wrong: a starter run or time worked is corrected by a new entry, or taken back where there was none. The old one stays in sight, struck
// through, with who corrected it and why; it counts for nothing any more. Corrections need the connection, as the suite judges the others anew.
import { current, has, send } from "/api.js";
import { choice, el, field, fold, last, second, table, tick, utc } from "/dom.js";

// shown is what an entry says, struck through where it counts no more.
export const shown = (entry, text) => (entry.successor || entry.withdrawn ? el("del", {}, text) : text);

// told says in words what became of an entry, or what it corrects: a line through a text is heard by nobody.
export function told(kit, entry, all) {
  const by = (e) => kit.who(e.corrector || e.person), next = all.find((e) => e.name === entry.successor);
  const said = entry.withdrawn ? `Taken back by ${by(entry)}, ${second(entry.createTime)}, there was none: ${entry.reason}` : entry.supersedes ? `A correction by ${by(entry)}, ${second(entry.createTime)}: ${entry.reason}` : "";
  const after = !entry.successor ? "" : next ? `Does not count: ${next.withdrawn ? "taken back" : "corrected"} by ${by(next)}, ${second(next.createTime)}.` : "Does not count: corrected by a later entry.";
  return [after, said].filter(Boolean).join(" ");
}

// times are the boxes of from and to. What stays as it was keeps its fractions of a second, which the box does not show.
function times(id, entry, from, to) {
  const box = (name, label, was) => ({ ...field(`${id}-${name}`, label, { type: "datetime-local", step: "1", value: (was || "").slice(0, 19) }), was });
  const made = [box("from", from, entry.startTime), box("to", to, entry.endTime)];
  const value = (f) => (f.value() && Date.parse(f.value() + "Z") === Math.floor(Date.parse(f.was) / 1000) * 1000 ? f.was : utc(f));
  return { nodes: made.flatMap((f) => f.nodes), body: () => ({ startTime: value(made[0]), endTime: value(made[1]) }) };
}

// correcting is the form over one entry: it as it was, or that there was none.
function correcting(act, entry, id, what, boxes, body) {
  const why = field(id + "-why", "What was wrong", { maxlength: "400" }), none = field(id + "-none", "Why there was none", { maxlength: "400" });
  const call = (more) => send(`/v1/${entry.name}:supersede`, { etag: entry.etag, ...more });
  return fold("Correct it", ...boxes, ...why.nodes, act("Correct " + what, () => call({ reason: why.value(), ...body() }), "Corrected; the entry before stays in sight."),
    fold("There was none", el("p", {}, "Such as one that was entered on the wrong order. It stays in sight and counts for nothing."), ...none.nodes,
      act("Take it back", () => call({ reason: none.value(), withdrawn: true }), "Taken back; the entry stays in sight.")));
}

// onStep chooses one of the order's steps, as people number them.
const onStep = (id, world, chosen) => choice(id, "On", [["", "no step"], ...world.steps.map((s) => [s.name, `${s.position}. ${s.title}`])], chosen || "");
const stepText = (world, name) => { const s = world.steps.find((step) => step.name === name); return s ? `${s.position}. ${s.title}` : "order"; };

const purposes = [["PURPOSE_UNSPECIFIED", "this order's work"], ["DRYING", "the drying run"], ["EARLIER", "another job, before this order was started"]];
const purposeText = (r) => (purposes.find(([p]) => p === (r.purpose || "PURPOSE_UNSPECIFIED")) || purposes[0])[1];

function run(act, world, r) {
  if (r.waiting || r.successor || !world.fresh || !has("technician")) return "–";
  if (world.order.state !== "STARTED") return "Once it was signed for, the order is sent back before a run is corrected.";
  const id = "rerun-" + last(r.name), at = times(id, r, "Starter on, UTC", "Starter off, UTC"), step = onStep(id + "-step", world, r.step), purpose = choice(id + "-purpose", "What it was for", purposes, r.purpose || "PURPOSE_UNSPECIFIED");
  const broken = tick(id + "-aborted", "It was broken off", r.aborted), remarks = field(id + "-remarks", "What happened", { maxlength: "400", value: r.remarks || undefined });
  return correcting(act, r, id, "the run", [...at.nodes, ...step.nodes, ...purpose.nodes, broken.node, ...remarks.nodes],
    () => ({ motoringRun: { ...at.body(), step: step.value(), purpose: purpose.value(), aborted: broken.box.checked, remarks: remarks.value() } }));
}

// verdict is what came of a run: within limits or not, and what became of its entry.
const verdict = (r) => (r.waiting ? "◐ waits to be sent" : r.successor || r.withdrawn ? "" : r.exceedance ? `■ EXCEEDANCE: ${r.exceedanceText}` : "○ within limits");

// runs are all starter runs of an order, with what was entered wrongly.
export function runs(kit, act, world) {
  if (!world.runs.length) return null;
  const rows = world.runs.toSorted((a, b) => a.startTime.localeCompare(b.startTime)).map((r) => [kit.who(r.person || current().person), el("span", {}, stepText(world, r.step), r.purpose && r.purpose !== "PURPOSE_UNSPECIFIED" ? `, ${purposeText(r)}` : "", r.aborted ? ", broken off" : ""),
    shown(r, second(r.startTime)), shown(r, second(r.endTime)), [verdict(r), told(kit, r, world.runs), r.remarks].filter(Boolean).map((t) => t.replace(/\.$/, "")).join(". "), run(act, world, r)]);
  return el("details", { id: "all-runs" }, el("summary", {}, "Starter runs, and how to correct one"), table("Starter runs of this order", ["Who", "On", "From, UTC", "To, UTC", "Came to", "What now"], rows, ""));
}

// corrected is the form over time worked: of one's own, and for planner and quality of others too, such as of somebody who left.
export function correctLabour(act, world, l) {
  const own = l.person === current().person && has("technician", "inspector"), others = has("planner", "quality");
  if (l.successor || !world.fresh || !(own || others)) return "–";
  const id = "relabour-" + last(l.name), at = times(id, l, "From, UTC", "To, UTC"), step = onStep(id + "-step", world, l.step);
  return correcting(act, l, id, "the time", [...(l.person === current().person ? [] : [el("p", {}, "It stays the time of who worked; your name stands beside the correction.")]), ...at.nodes, ...step.nodes],
    () => ({ labourEntry: { ...at.body(), step: step.value() } }));
}
