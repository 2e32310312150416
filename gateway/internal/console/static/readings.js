// The readings of a step: value and unit as they stand on the instrument, the tool, the limits with their source. One outside its limits is
// recorded only when the person says again that it is right; a wrong one is corrected by a new one, with a reason.
import { choice, field } from "/press.js";

// alike are units in which the same thing is read; the service converts.
const alike = [["kPa", "[psi]", "bar", "hPa"], ["Cel", "[degF]", "K"], ["L/min", "[gal_us]/min", "mL/s"], ["L", "mL", "[gal_us]", "[qt_us]"], ["mm", "m", "[ft_i]"], ["kg", "g", "[lb_av]"],
  ["s", "min"], ["kW", "W", "[HP]"], ["N.m", "[ft_i].[lbf_av]"]];
const units = (unit) => [unit, ...(alike.find((a) => a.includes(unit)) || []).filter((u) => u !== unit)].map((u) => [u, u]);

const limits = (low, high, unit) => (low === undefined && high === undefined ? "no limits are given" : low === undefined ? `at most ${high} ${unit}`
  : high === undefined ? `at least ${low} ${unit}` : `${low} to ${high} ${unit}`);

// confirming sends a reading, and shows the way to confirm it when it is outside its limits.
function confirming(kit, act, title, send) {
  const { el } = kit, sure = el("div", { hidden: "" }, act("It is right: record it as outside limits", () => send(true), "Recorded, outside its limits."));
  return [act(title, () => send(false), "Recorded.", (e) => { sure.hidden = e.reason !== "OUT_OF_LIMITS_NOT_CONFIRMED"; }), sure];
}

function entry(kit, id, spec) {
  const value = field(kit.el, id, "Value read", { inputmode: "decimal", maxlength: "64" }), unit = choice(kit.el, id + "-unit", "Unit", units(spec.unitCode));
  return { nodes: [kit.el("div", { class: "pair" }, kit.el("div", {}, ...value.nodes), kit.el("div", {}, ...unit.nodes))], body: () => ({ text: value.value(), unitCode: unit.value() }) };
}

function fresh(kit, act, world, step, spec) {
  const { el, last } = kit, at = entry(kit, "read-" + spec.key, spec), wanted = step.requiredTools || [];
  const offered = world.tools.filter((t) => wanted.length === 0 || wanted.includes(t.toolType));
  const tool = spec.toolRequired && choice(el, `tool-${spec.key}`, "Read with", [["", "Choose the tool"], ...offered.map((t) => [t.name, `${t.displayName} ${t.serial}, ${t.state.replaceAll("_", " ")}`])]);
  const send = (exceedanceConfirmed) => kit.send(`/v1/${world.order.name}/measurements`, { step: step.name, key: spec.key, entered: at.body(), exceedanceConfirmed,
    ...(tool && tool.value() ? { tool: tool.value() } : {}) });
  return [...at.nodes, ...(tool ? tool.nodes : []), ...confirming(kit, act, `Record ${spec.displayName || last(spec.key)}`, send)];
}

function standing(kit, act, spec, m) {
  const { el, last } = kit, at = entry(kit, "correct-" + spec.key, spec), reason = field(el, "reason-" + spec.key, "Why it is corrected", { maxlength: "400" });
  const send = (exceedanceConfirmed) => kit.send(`/v1/${m.name}:supersede`, { entered: at.body(), reason: reason.value(), exceedanceConfirmed });
  return [el("p", { class: "taken" }, m.limitsMet ? "✓ " : "■ OUTSIDE LIMITS: ", `${m.entered.text} ${m.entered.unitCode}`, m.tool ? ` with ${last(m.tool)}` : "", `, ${last(m.person)} ${kit.instant(m.measureTime || m.createTime)}`),
    el("details", {}, el("summary", {}, "Correct it"), ...at.nodes, ...reason.nodes, ...confirming(kit, act, "Correct the reading", send))];
}

export function readings(kit, act, world, step) {
  return (step.measurements || []).map((spec) => {
    const taken = world.measurements.find((m) => m.step === step.name && m.key === spec.key && !m.successor);
    const [low, high] = taken ? [taken.minValue, taken.maxValue] : [spec.minValue, spec.maxValue];
    return kit.el("fieldset", {}, kit.el("legend", {}, spec.displayName), kit.el("p", {}, `Expected: ${limits(low, high, spec.unitCode)}${spec.source ? ". " + spec.source : ""}`),
      ...(taken ? standing(kit, act, spec, taken) : fresh(kit, act, world, step, spec)));
  });
}
