// What an aircraft, an engine or a part was entered with, put right: the counters, and the day at whose end they were so. Quality signs it with a fresh proof; what is due and
// what is left of lives follow from it at once, so that the wrong and the right ones stand in words before they are signed.
import { has, send } from "/api.js";
import { date, el, fold, instant, last, table } from "/dom.js";
import { dayBox, filled, numberBox, textBox, wrong } from "/entry.js";
import { calledOf } from "/names.js";
import { signedForm } from "/proven.js";

const hoursOf = (seconds) => Number((Number(seconds || 0) / 3600).toFixed(4));
const counterText = (c) => (c ? `${hoursOf(c.operatingSeconds)} h, ${c.cycles || 0} cycles, ${c.starts || 0} starts${Number(c.landings || 0) ? `, ${c.landings} landings` : ""}` : "nobody had entered any");
const same = (a, b) => date(a) === date(b);

// corrected are the corrections that were made before, oldest first.
const corrected = (list, who) => (list.length ? [table("Corrected before", ["When", "By", "From", "To", "Its day", "Read from", "Why"], list.map((c) => [instant(c.correctTime), who(c.person), counterText(c.previousCounters), counterText(c.counters),
  c.entryDate ? `${date(c.previousEntryDate)} to ${date(c.entryDate)}` : "as it was", c.authorityReference || "–", c.reason]), "")] : []);

// whole gives the number of a box, or what it was where nobody touched it: hours keep their seconds, which the box does not show.
function whole(box, was, scale, what) {
  const n = box.value();
  if (n === undefined) throw wrong(box.path, `Give the right ${what}; 0 where there were none.`);
  if (n < 0) throw wrong(box.path, "Give 0 or more.");
  if (scale === 1 && !Number.isInteger(n)) throw wrong(box.path, "Give a whole number: only hours have parts.");
  return was !== undefined && String(n) === box.box.defaultValue ? String(was) : String(Math.round(n * scale));
}

// correctingForm is the form, of a thing whose counters were entered.
async function correctingForm(again, thing, called) {
  const c = thing.entryCounters || {}, number = (key, label, value) => numberBox(`counters.${key}`, "right-" + key, label, thing.entryCounters ? value : undefined);
  const b = { hours: number("operating_seconds", "Hours since new, as they should have been entered", hoursOf(c.operatingSeconds)), cycles: number("cycles", "Cycles since new", c.cycles || 0), starts: number("starts", "Starts since new", c.starts || 0), landings: number("landings", "Landings", c.landings || 0) };
  const entry = dayBox("entry_date", "right-day", "Day at whose end they were so", thing.entryDate, "What was flown on that day and before is in them; what was flown later counts on top.");
  const read = dayBox("counters_date", "right-read", "Only if you typed the counters of a later day: that day", undefined, "What was flown since the entry is taken off them. Empty: they are those of the entry.");
  const paper = textBox("authority_reference", "right-paper", "Read from", { maxlength: "200", hint: "Such as the page of its log." }), why = textBox("reason", "right-why", "Why they were wrong", { maxlength: "400" });
  const day = () => { const d = entry.value(); if (!d && thing.entryDate) throw wrong(entry.path, "Give the day; the one that is recorded is right where you leave it as it stands."); return d && !same(d, thing.entryDate) ? d : undefined; };
  const said = (box, what) => { if (!box.value()) throw wrong(box.path, `Give ${what}.`); return box.value(); };
  const body = () => filled({ counters: { operatingSeconds: whole(b.hours, c.operatingSeconds, 3600, "hours"), cycles: whole(b.cycles, c.cycles, 1, "cycles"), starts: whole(b.starts, c.starts, 1, "starts"), landings: whole(b.landings, c.landings, 1, "landings") },
    entryDate: day(), countersDate: read.value(), authorityReference: said(paper, "the paper that they are read from"), reason: said(why, "why they were wrong") });
  const words = (r) => [`${called}: recorded are ${thing.entryCounters ? counterText(thing.entryCounters) : "counters that were not kept apart"} at the end of ${thing.entryDate ? date(thing.entryDate) : "a day that nobody said"}.`,
    `Right are ${counterText(r.counters)} at the end of ${date(r.countersDate || r.entryDate || thing.entryDate)}${r.countersDate ? ", less what was flown since the entry" : ""}.`,
    r.entryDate ? `The day of the entry is ${date(r.entryDate)}, and not ${thing.entryDate ? date(thing.entryDate) : "unknown"}: flying between the two counts anew.` : "The day of the entry stays.", `Read from: ${r.authorityReference}. Why they were wrong: ${r.reason}.`];
  return signedForm("right-form", "Sign the correction", [...Object.values(b), entry, read, paper, why], { read: body, words, again,
    save: async (r) => { await send(`/v1/${thing.name}:correctEntryCounters`, { etag: thing.etag, ...r }); return "It is corrected and signed: what is due on it was worked out anew."; } });
}

// entryRecord says what a thing was entered with, its corrections, and lets quality correct it; called is what people call the thing.
export async function entryRecord(again, thing, called) {
  if (!thing.counters) return [el("p", {}, "Its hours and cycles were never entered, so there is nothing to correct.")];
  const past = thing.entryCorrections || [], who = past.length ? await calledOf("/v1/people") : last;
  const said = el("p", {}, thing.entryCounters ? `It was entered with ${counterText(thing.entryCounters)}${thing.entryDate ? ` at the end of ${date(thing.entryDate)}` : ", of a day that nobody said"}.` : "What it was entered with was not kept apart from what was flown since: type it from its log.");
  return [said, ...corrected(past, who), has("quality") ? fold("Correct what it was entered with",
    el("p", { class: "caution" }, "CAUTION: every limit in hours, cycles and starts counts from these numbers. Wrong ones let a part fly past its life. Read them from the log, not from memory."), await correctingForm(again, thing, called)) : null].filter(Boolean);
}
