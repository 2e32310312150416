// Time worked, by whoever worked, from and to in UTC; across midnight too.
import { has, send } from "/api.js";
import { correctLabour, shown, told } from "/corrections.js";
import { el, field, instant, table, utc } from "/dom.js";

const hours = (seconds) => `${Math.floor(seconds / 3600)} h ${String(Math.floor((seconds % 3600) / 60)).padStart(2, "0")} min`;

export function labour(kit, act, world, step) {
  const { order } = world;
  const stepText = (name) => { const s = world.steps.find((one) => one.name === name); return s ? `step ${s.position}` : "order"; };
  const rows = world.labour.toSorted((a, b) => a.startTime.localeCompare(b.startTime)).map((l) => [kit.who(l.person), stepText(l.step), shown(l, instant(l.startTime)), shown(l, instant(l.endTime)),
    el("span", {}, shown(l, hours(Number(l.workedSeconds || 0))), " ", told(kit, l, world.labour)), correctLabour(act, world, l)]);
  const from = field("worked-from", "From, UTC", { type: "datetime-local", value: (order.startTime || "").slice(0, 16) }), to = field("worked-to", "To, UTC", { type: "datetime-local" });
  const record = act("Record my time", () => send(`/v1/${order.name}/labourEntries`, { startTime: utc(from), endTime: utc(to), ...(step ? { step: step.name } : {}) }), "The time is recorded.");
  return el("details", { id: "labour" }, el("summary", {}, "Time worked"), table("Time worked on this order", ["Who", "On", "From, UTC", "To, UTC", "Worked", "What now"], rows, "No time is recorded yet."),
    ...(["DRAFTED", "SCHEDULED", "KITTED", "VOIDED"].includes(order.state) || !has("technician", "inspector") ? [] : [...from.nodes, ...to.nodes, record]));
}
