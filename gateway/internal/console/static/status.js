// How a thing stood on a date, by two times; what shows that a requirement was met; and the record packs that are made of it.
import { Refused, all, call, get, newKey } from "/api.js";
import { ask, pick, subject, subjects, text } from "/asking.js";
import { chip, date, el, instant, last, link, table, words } from "/dom.js";
import { calledOf } from "/names.js";
import { paged } from "/paging.js";
import { counters, findingHeads, findingRows, left, lifeHeads, lifeRows, numbersOf, standingHeads, standingRows } from "/standing.js";

// findingText says of a finding the number of its order, where the service names it as programs do.
const findingText = (text, numbers) => text.replace(/(workOrders\/[a-z0-9-]+)\/findings\/[a-z0-9-]+/g, (_, order) => `A finding of order ${numbers.get(order) || last(order)}`);

// stood is a thing at one time as it was known at another.
const stood = (s, titleOf, numbers) => [
  el("p", {}, el("span", { class: "chip " + (s.compliant ? "good" : "bad") }, s.compliant ? "○ COMPLIANT" : "■ NOT COMPLIANT"), ` ${titleOf(s.subject)}, true at ${instant(s.asOfTime)}, as known at ${instant(s.knownAtTime)}.`),
  el("p", {}, "Counters then: " + counters(s.counters) + "."), el("ul", {}, ...(s.exceptions || []).map((e) => el("li", {}, findingText(e, numbers)))),
  table("Directives and other requirements with their standing", standingHeads, standingRows(s.requirementStatuses || [], s.subject), "No requirement was known."),
  table("What was due", ["Code", "Requirement", "Band", "Last done", "Due", "Left", "Why then"],
    (s.dueItems || []).map((d) => [d.requirementCode, d.requirementTitle, chip(d.band), date(d.lastDoneDate), date(d.dueDate), left(d.remaining), d.explanation || d.bandReason]), "Nothing was due."),
  table("Life-limited parts that were fitted", lifeHeads, lifeRows(s.lifeStatuses || []), "No life-limited part was fitted."),
  table("Findings that were open", findingHeads, findingRows(s.openFindings || [], numbers), "No finding was open."),
];

// makePack has a pack made and leads to the packs.
const makePack = (attempt, subject, asOf, known) => el("button", { type: "button", onclick: (event) => attempt(async () => {
  event.target.disabled = true;
  try {
    const body = { subject, asOfTime: asOf, knownAtTime: known };
    let op = await call("POST", "/v1/recordPacks", body, newKey());
    while (!op.done) op = await get(`/v1/${op.name}:wait`);
    if (op.error) throw new Refused(op.error.message);
    location.hash = "#/packs";
  } finally { event.target.disabled = false; }
}) }, "Make a record pack of this");

export async function statusPage(attempt, asked) {
  const on = await subjects(), out = [el("h2", {}, "Status on a date"), ask("status", "Show", subject("Of", on, asked, true),
    text("asOf", "True at, UTC", asked.get("asOf"), { type: "datetime-local" }), text("known", "As known at, UTC", asked.get("known"), { type: "datetime-local" }))];
  if (!asked.get("subject")) return [...out, el("p", {}, "Choose an engine or an aircraft. Without times it is as it is now, as known now; a day in the past shows what was so then, and the second time what was known by then.")];
  const at = (v) => (v ? v.slice(0, 16) + ":00Z" : "");
  const times = Object.entries({ asOfTime: at(asked.get("asOf")), knownAtTime: at(asked.get("known")) }).filter(([, v]) => v).map(([k, v]) => `&${k}=${v}`).join("");
  const s = await get(`/v1/complianceStatus?subject=${encodeURIComponent(asked.get("subject"))}${times}`);
  return [...out, ...stood(s, (name) => (on.find(([n]) => n === name) || [name, name])[1], await numbersOf(s.openFindings)), makePack(attempt, s.subject, s.asOfTime, s.knownAtTime)];
}

export async function evidencePage(asked) {
  const [on, known] = await Promise.all([subjects(), all("/v1/requirements")]);
  const out = [el("h2", {}, "Evidence"), ask("evidence", "Show", pick("requirement", "Requirement", [["", "Choose one"], ...known.map((r) => [r.name, `${r.code} ${r.displayName}`])], asked, true),
    subject("Of", on, asked, true))];
  if (!asked.get("requirement") || !asked.get("subject")) return [...out, el("p", {}, "Choose a requirement, and what it is asked of: what shows that it was done then stands here, newest first.")];
  const found = await get(`/v1/${asked.get("requirement")}:findEvidence?subject=${encodeURIComponent(asked.get("subject"))}`);
  const [numbers, who] = await Promise.all([numbersOf((found.evidences || []).map((e) => e.accomplishment)), calledOf("/v1/people")]);
  const rows = (found.evidences || []).map((e) => [date(e.accomplishment.doneDate), words(e.kind), counters(e.accomplishment.counters),
    e.accomplishment.workOrder ? link("order/" + last(e.accomplishment.workOrder), "order " + (numbers.get(e.accomplishment.workOrder) || last(e.accomplishment.workOrder))) : e.accomplishment.documentReference || "–",
    e.accomplishment.certifier ? who(e.accomplishment.certifier) : "–", (e.accomplishment.contentHash || "").slice(0, 16), (e.documents || []).map((d) => `${d.mediaType} ${d.sha256.slice(0, 16)}`).join("; ") || "–"]);
  return [...out, table("Where it stands", standingHeads, standingRows([found.requirementStatus], asked.get("subject")), ""),
    table("What shows it, newest first", ["Done", "By what", "Counters then", "Record", "Certified by", "Hash", "Documents"], rows, "Nothing shows that it was done.")];
}

export async function packsPage(asked) {
  const packs = await paged("/v1/recordPacks", asked);
  return [el("h2", {}, "Record packs"), el("p", {}, "A pack is made from ", link("status", "the status on a date"), ". Whoever gets it checks it offline: coldsection pack verify FILE --key KEY."),
    table(`Packs: ${packs.at}`, ["Number", "Of", "True at", "As known at", "Files", "SHA-256", "Key", "Take"], packs.rows.map((p) => [p.number, p.subject, instant(p.asOfTime), instant(p.knownAtTime),
      String(p.fileCount), el("code", {}, p.sha256), el("code", {}, p.publicKey), el("a", { href: `/v1/${p.name}:download`, download: p.number + ".zip" }, "Download")]), "No pack was made yet."), packs.ways].filter(Boolean);
}
