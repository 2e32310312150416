// What the pages of planners and quality show in the same way: counters, what is left, standings, life limits and findings.
import { get, otherwise } from "/api.js";
import { chip, date, el, last, link, words } from "/dom.js";

const standings = { OPEN: ["look", "▲"], RECURRING: ["info", "↻"], COMPLIED: ["good", "○"], TERMINATED: ["good", "●"], SUPERSEDED: ["none", "–"], UNKNOWN: ["bad", "■"] };

const hours = (seconds) => (Number(seconds || 0) / 3600).toFixed(1) + " h";
export const counters = (c) => (c ? `${hours(c.operatingSeconds)}, ${c.cycles} cycles, ${c.starts} starts` : "–");
export const standing = (s) => {
  const [kind, shape] = standings[s] || ["none", "◌"];
  return el("span", { class: "chip " + kind }, `${shape} ${words(s)}`);
};
export const document_ = (d) => (d && d.title ? [d.title, d.revision && "rev. " + d.revision, d.section].filter(Boolean).join(", ") : "–");

// counted are the units of counters; all others are days of the calendar.
const counted = { HOURS: hours, CYCLES: String, STARTS: String };
// left is what is left in each unit, in words.
export const left = (all) => (all || []).map((r) => counted[r.unit] ? `${words(r.unit).toLowerCase()}: ${counted[r.unit](r.left)}` : `calendar: ${r.left} days`).join("; ") || "–";

export const lifeRows = (lives) => lives.map((l) => [l.name ? link("parts/" + l.name.split("/")[1], `${l.partNumber} ${l.serial}`) : `${l.partNumber} ${l.serial}`, last(l.host) || "in stores", chip(l.band), String(l.usedCycles), String(l.cycleLimit), String(l.remainingCycles),
  l.bandReason || (l.traceable ? "" : `history lacks ${l.gapCycles} cycles`), document_(l.document)]);
export const lifeHeads = ["Part", "On", "Band", "Used, cycles", "Limit", "Left", "Note", "By"];
// numbersOf are the numbers of the orders that findings are of, as people call them.
export async function numbersOf(found) {
  const names = [...new Set((found || []).map((f) => f.workOrder).filter(Boolean))];
  return new Map(await Promise.all(names.map(async (name) => [name, (await otherwise(get("/v1/" + name), {})).number])));
}
export const findingRows = (found, numbers) => found.map((f) => [link("order/" + last(f.workOrder), numbers.get(f.workOrder) || last(f.workOrder)), last(f.engine), f.description, f.deferred ? "deferred " + (f.deferralCategory || "") : "open",
  date(f.originalDate), date(f.limitDate), chip(f.band), f.basis || "–"]);
export const findingHeads = ["Order", "Engine", "What was found", "State", "Found", "Last day", "Band", "Basis"];
export const standingRows = (list, subject) => list.map((s) => [s.code, s.requirementTitle, standing(s.standing), date(s.lastDoneDate), s.method || "–", left(s.remaining), s.reason || "–",
  el("a", { href: `#/evidence?requirement=${encodeURIComponent(s.requirement)}&subject=${encodeURIComponent(s.subject || subject)}` }, "Evidence")]);
export const standingHeads = ["Code", "Requirement", "Standing", "Last done", "How", "Left", "Why", "Shown by"];
