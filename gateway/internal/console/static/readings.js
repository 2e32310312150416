// The readings of a step: value and unit as they stand on the instrument, the tool, the limits with their source. One outside its limits is
// recorded only when the person says again that it is right; a wrong one is corrected by a new one, with a reason.
import { Refused, nowText, send } from "/api.js";
import { shown, told } from "/corrections.js";
import { choice, decimal, el, field, fold, instant, last, unitText } from "/dom.js";
import { enter } from "/waiting.js";

// alike are units in which the same thing is read; the service converts.
const alike = [["kPa", "[psi]", "bar", "hPa"], ["Cel", "[degF]", "K"], ["L/min", "[gal_us]/min", "mL/s"], ["L", "mL", "[gal_us]", "[qt_us]"], ["mm", "m", "[ft_i]"], ["kg", "g", "[lb_av]"],
  ["s", "min"], ["kW", "W", "[HP]"], ["N.m", "[ft_i].[lbf_av]"]];
const units = (unit) => [unit, ...(alike.find((a) => a.includes(unit)) || []).filter((u) => u !== unit)].map((u) => [u, unitText(u)]);

const limits = (low, high, unit) => (low === undefined && high === undefined ? "no limits are given" : low === undefined ? `at most ${high} ${unitText(unit)}`
  : high === undefined ? `at least ${low} ${unitText(unit)}` : `${low} to ${high} ${unitText(unit)}`);

// confirming sends a reading, and shows the way to confirm it when it is outside its limits.
function confirming(act, title, sendIt) {
  const sure = el("div", { hidden: "" }, act("It is right: record it as outside limits", () => sendIt(true), "Recorded, outside its limits."));
  return [act(title, () => sendIt(false), "Recorded.", (e) => { sure.hidden = e.reason !== "OUT_OF_LIMITS_NOT_CONFIRMED"; }), sure];
}

function entry(id, spec) {
  const value = field(id, "Value read", { inputmode: "decimal", maxlength: "64" }), unit = choice(id + "-unit", "Unit", units(spec.unitCode));
  return { nodes: [el("div", { class: "pair" }, el("div", {}, ...value.nodes), el("div", {}, ...unit.nodes))], body: () => ({ text: value.value(), unitCode: unit.value() }) };
}

// askHere asks again without a connection where the suite would: for a value in the unit of the limits that is outside them, and for a tool
// that is missing. All else the suite says when the entry arrives.
function askHere(world, spec, entered, tool, confirmed) {
  if (world.fresh && navigator.onLine) return;
  const value = Number(decimal(entered.text));
  if (!entered.text || Number.isNaN(value)) throw new Refused(`“${entered.text}” is no number. Type the value that the instrument shows.`);
  if (spec.toolRequired && !tool) throw new Refused("Choose the tool that the value is read with.");
  const outside = entered.unitCode === spec.unitCode && (value < (spec.minValue ?? -Infinity) || value > (spec.maxValue ?? Infinity));
  if (outside && !confirmed) throw Object.assign(new Refused(`${entered.text} ${unitText(entered.unitCode)} is outside its limits, ${limits(spec.minValue, spec.maxValue, spec.unitCode)}. Read again; confirm it below if it is right.`),
    { reason: "OUT_OF_LIMITS_NOT_CONFIRMED" });
}

function fresh(act, world, step, spec) {
  const at = entry("read-" + spec.key, spec), wanted = step.requiredTools || [];
  const offered = world.tools.filter((t) => wanted.length === 0 || wanted.includes(t.toolType));
  const tool = spec.toolRequired && choice(`tool-${spec.key}`, "Read with", [["", "Choose the tool"], ...offered.map((t) => [t.name, `${t.displayName} ${t.serial}, ${t.state.replaceAll("_", " ")}`])]);
  const used = () => (tool ? tool.value() : ""), called = spec.displayName || last(spec.key);
  const record = async (exceedanceConfirmed) => {
    const entered = at.body();
    askHere(world, spec, entered, used(), exceedanceConfirmed);
    return enter(world.order.name, `/v1/${world.order.name}/measurements`, { step: step.name, key: spec.key, entered, exceedanceConfirmed, measureTime: nowText(),
      ...(used() ? { tool: used() } : {}) }, `${called}: ${entered.text} ${unitText(entered.unitCode)}`);
  };
  return [...at.nodes, ...(tool ? tool.nodes : []), ...confirming(act, `Record ${called}`, record)];
}

// corrected are the readings that a later entry corrected: they stay in sight, struck through, with who corrected them and why.
const corrected = (kit, list) => list.filter((m) => m.successor).map((m) => el("p", {}, shown(m, `${m.entered.text} ${unitText(m.entered.unitCode)}`), ` ${kit.who(m.person)} ${instant(m.measureTime || m.createTime)}. `, told(kit, m, list)));

function standing(kit, act, spec, m, list) {
  const at = entry("correct-" + spec.key, spec), reason = field("reason-" + spec.key, "Why it is corrected", { maxlength: "400" });
  const correct = (exceedanceConfirmed) => send(`/v1/${m.name}:supersede`, { etag: m.etag, entered: at.body(), reason: reason.value(), exceedanceConfirmed });
  const said = el("p", { class: "taken" }, m.waiting ? "◐ WAITS TO BE SENT: " : m.limitsMet ? "✓ " : "■ OUTSIDE LIMITS: ", `${m.entered.text} ${unitText(m.entered.unitCode)}`, m.tool ? ` with ${last(m.tool)}` : "",
    `, ${kit.who(m.person)} ${instant(m.measureTime || m.createTime)}`, m.supersedes ? ". " + told(kit, m, list) : "");
  return m.waiting ? [said] : [said, fold("Correct it", ...at.nodes, ...reason.nodes, ...confirming(act, "Correct the reading", correct))];
}

// anewRead says that a reading was taken since its step was opened again last; one from before stands as what was before, and counts no more.
export const anewRead = (step, m) => !(step.earlier || []).length || m.waiting || Date.parse(m.createTime) > Date.parse(step.earlier.at(-1).reopenTime);

// before are the readings that were taken before the step was opened again.
const before = (kit, step, list) => list.filter((m) => !anewRead(step, m)).map((m) => el("p", {}, `Before: ${m.entered.text} ${unitText(m.entered.unitCode)}, ${kit.who(m.person)} ${instant(m.measureTime || m.createTime)}${m.limitsMet ? "" : ", OUTSIDE LIMITS"}`));

export function readings(kit, act, world, step) {
  return (step.measurements || []).map((spec) => {
    const all = world.measurements.filter((m) => m.step === step.name && m.key === spec.key), list = all.filter((m) => !m.successor), taken = list.find((m) => anewRead(step, m));
    const [low, high] = taken && !taken.waiting ? [taken.minValue, taken.maxValue] : [spec.minValue, spec.maxValue];
    return el("fieldset", {}, el("legend", {}, spec.displayName), el("p", {}, `Expected: ${limits(low, high, spec.unitCode)}${spec.source ? ". " + spec.source : ""}`),
      ...corrected(kit, all), ...before(kit, step, list), ...(taken ? standing(kit, act, spec, taken, all) : fresh(act, world, step, spec)));
  });
}
