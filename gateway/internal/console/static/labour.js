// Time worked, by whoever worked, from and to in UTC; across midnight too.
import { has, send } from "/api.js";
import { el, field, instant, last, table, utc } from "/dom.js";

const hours = (seconds) => `${Math.floor(seconds / 3600)} h ${String(Math.floor((seconds % 3600) / 60)).padStart(2, "0")} min`;

export function labour(kit, act, world, step) {
  const { order } = world;
  const rows = world.labour.map((l) => [kit.who(l.person), l.step ? last(l.step) : "order", instant(l.startTime), instant(l.endTime), l.withdrawn ? "taken back: " + l.reason : hours(Number(l.workedSeconds || 0)) + (l.successor ? ", corrected, does not count" : l.reason ? ", a correction: " + l.reason : "")]);
  const from = field("worked-from", "From, UTC", { type: "datetime-local", value: (order.startTime || "").slice(0, 16) }), to = field("worked-to", "To, UTC", { type: "datetime-local" });
  const record = act("Record my time", () => send(`/v1/${order.name}/labourEntries`, { startTime: utc(from), endTime: utc(to), ...(step ? { step: step.name } : {}) }), "The time is recorded.");
  return el("details", { id: "labour" }, el("summary", {}, "Time worked"), table("Time worked on this order", ["Who", "On", "From", "To", "Worked"], rows, "No time is recorded yet."),
    ...(["DRAFTED", "SCHEDULED", "KITTED", "VOIDED"].includes(order.state) || !has("technician", "inspector") ? [] : [...from.nodes, ...to.nodes, record]));
}
