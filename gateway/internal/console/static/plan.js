// The wash plan in the hands of who washes: what to mix, at which pressure, which runs and rests, and each number with where it is from.
import { get, otherwise } from "/api.js";
import { amount, el, fold, last, minutes, table, words } from "/dom.js";

// The psi of a pressure are for reading only: 1 psi is 6.894 757 kPa (NIST SP 811, appendix B.8).
const psi = (kpa) => round(kpa / 6.894757);
const round = (n) => String(Number(Number(n).toPrecision(4)));

// calledIn are what people call the items and the water's grade of a plan, for whoever may read them.
export async function calledIn(plan) {
  const named = [...new Set([...((plan || {}).components || []).map((c) => c.item), (plan || {}).waterGrade].filter(Boolean))];
  return Object.fromEntries(await Promise.all(named.map(async (name) => [name, ((await otherwise(get("/v1/" + name), null)) || {}).displayName || last(name)])));
}

// told are the main numbers, in the order in which they are needed.
const told = (p, called) => [
  ["Solution", p.batchVolume && `${amount(p.batchVolume)}${p.ratioText ? ", " + p.ratioText : ""}`],
  ...(p.components || []).map((c) => ["Into it", `${amount(c.quantity)} of ${called[c.item] || last(c.item)}`]),
  ["Antifreeze", p.antifreeze && p.antifreeze.explanation],
  ["Container pressure", p.containerPressureKpa && `${round(p.containerPressureKpa)} kPa (${psi(p.containerPressureKpa)} psi), gauge`],
  ["Rinse water", p.rinseVolume && amount(p.rinseVolume)], ["Water grade", called[p.waterGrade] || last(p.waterGrade)],
  ["Lowest air temperature", p.temperatureKnown ? `${p.plannedAirTemperatureC} °C` : "not known yet"],
  ["Runs", [p.washRuns && `${p.washRuns} with solution`, p.rinseRuns && `${p.rinseRuns} with water`].filter(Boolean).join(", ")],
  ["Dry within", p.dryingLimitMinutes && `${p.dryingLimitMinutes} min after the last wetting`],
  ["By", p.data && [p.data.title, "rev. " + p.data.revision].join(", ")],
].filter(([, value]) => value);

const numbers = (p) => (p.numbers || []).map((n) => [n.label, `${round(n.value)}${n.unitCode === "1" ? "" : " " + n.unitCode}${n.alternateText ? ` (${n.alternateText})` : ""}`, n.formula || "–", n.source || "–"]);

const runs = (p) => (p.timeline || []).map((t) => [words(t.activity), `${minutes(t.startSecond)} to ${minutes(t.endSecond)}`,
  t.valveShutSecond ? `${t.valveOpenSecond - t.startSecond} s to ${t.valveShutSecond - t.startSecond} s of the run` : "–", amount(t.volume), t.note || "–"]);

// planPanel is the plan of an order, with what people call the things in it; nothing for an order without one.
export function planPanel(plan, called = {}) {
  if (!plan || !plan.computeTime) return [];
  return [el("section", { id: "plan" }, ...(plan.refusals || []).map((r) => el("p", { class: "caution" }, "■ " + r)), ...(plan.cautions || []).map((c) => el("p", { class: "caution" }, el("strong", {}, c.severity + ": "), c.text)),
    fold(`Wash plan, revision ${plan.revision}${plan.frozen ? "" : ", not final"}`, table("What to take", ["What", "How much"], told(plan, called), ""),
      fold("Each number and where it is from", table("Numbers of the plan", ["What", "Value", "How it comes about", "From"], numbers(plan), "The plan has no numbers.")),
      fold("Runs and rests", table("Runs and rests, from the first rotation", ["What", "When", "Valve open", "Through", "Note"], runs(plan), "No run is planned.")), el("p", {}, plan.notice || "")))];
}
