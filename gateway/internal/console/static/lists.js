// The lists of planners and quality: what is due with every line of its arithmetic, directives, life limits, last and next, open findings.
import { get } from "/api.js";
import { ask, pick, subject, subjects, text } from "/asking.js";
import { chip, date, el, link, table, words } from "/dom.js";
import { ordered, paged } from "/paging.js";
import { counters, document_, findingHeads, findingRows, left, lifeHeads, lifeRows, numbersOf } from "/standing.js";

const bands = ["", "OVERDUE", "IN_TOLERANCE", "DUE", "NEAR", "ATTENTION", "CURRENT", "NO_DATA", "EXEMPT"];
const kinds = ["", "INSPECTION", "DIRECTIVE", "BULLETIN", "LIFE_LIMIT", "OVERHAUL", "COMPONENT_CHECK", "CALIBRATION", "PROGRAMME_ITEM"];

const quoted = (v) => JSON.stringify(v);
const filterOf = (asked) => [asked.get("band") && `band = ${asked.get("band")}`, asked.get("kind") && `kind = ${asked.get("kind")}`,
  asked.get("subject") && `subject = ${quoted(asked.get("subject"))}`, asked.get("before") && `due_date < ${quoted(asked.get("before"))}`].filter(Boolean).join(" AND ");

// taken are the links under which a list is taken away.
const taken = (content, filter) => el("p", { class: "take" }, "Take it away: ", ...["CSV", "XLSX", "PDF"].flatMap((format) =>
  [el("a", { href: `/v1/dueItems:export?content=${content}&format=${format}&filter=${encodeURIComponent(filter || "")}`, download: "" }, format), " "]),
el("button", { type: "button", class: "back", onclick: () => print() }, "Print"));

// why opens under an item: each line of the arithmetic, so that it can be done again by hand.
const why = (attempt, item) => {
  const lines = el("div", {});
  return el("details", { ontoggle: (event) => {
    if (!event.target.open || lines.childElementCount) return;
    attempt(async () => {
      const said = await get(`/v1/${item.name}:explain`);
      lines.replaceChildren(el("ol", {}, ...said.lines.map((line) => el("li", {}, line))), el("p", {}, "By " + document_(said.document)),
        el("p", {}, el("a", { href: `#/evidence?requirement=${encodeURIComponent(item.requirement)}&subject=${encodeURIComponent(item.subject)}` }, "Evidence")));
    });
  } }, el("summary", {}, item.explanation || item.bandReason || "Why?"), lines);
};

export async function duePage(attempt, asked) {
  const filter = filterOf(asked);
  const [list, on] = await Promise.all([paged(ordered("/v1/dueItems", filter), asked), subjects()]), items = list.rows;
  const rows = items.map((d) => [d.requirementCode, d.requirementTitle, el("a", { href: "#/status?subject=" + encodeURIComponent(d.subject) }, d.subjectLabel), chip(d.band), date(d.dueDate),
    left(d.remaining), d.flyingPlanVersion ? "flying plan " + d.flyingPlanVersion : "rate", why(attempt, d)]);
  return [el("h2", {}, "Due list"), ask("due", "Show", pick("band", "Band", bands.map((b) => [b, b ? words(b) : "all"]), asked), pick("kind", "Kind", kinds.map((k) => [k, k ? words(k) : "all"]), asked),
    subject("On", on, asked), text("before", "Due before", asked.get("before"), { type: "date" })), taken("DUE_LIST", filter),
  table(`Items, soonest first: ${list.at}`, ["Code", "Requirement", "On", "Band", "Due", "Left", "Projected by", "Why then"], rows, filter ? "Nothing is due by this." : el("span", {}, "Nothing is due: no requirement applies to anything that is known. ", link("requirements", "Requirements"))), list.ways, el("p", { class: "take" }, link("requirements", "What is required, and when"))].filter(Boolean);
}

export async function directivesPage(attempt, asked) {
  const filter = filterOf(asked) ? filterOf(asked) + " AND kind = DIRECTIVE" : "kind = DIRECTIVE";
  const [list, on] = await Promise.all([paged(ordered("/v1/dueItems", filter), asked), subjects()]), items = list.rows;
  return [el("h2", {}, "Directives"), ask("directives", "Show", subject("On", on, asked)), taken("DIRECTIVES", filterOf(asked)),
    table(`Directives that apply or may apply: ${list.at}`, ["Code", "Directive", "On", "Band", "Last done", "Due", "Why then"],
      items.map((d) => [d.requirementCode, d.requirementTitle, d.subjectLabel, chip(d.band), date(d.lastDoneDate), date(d.dueDate), why(attempt, d)]), "No directive applies."), list.ways].filter(Boolean);
}

export async function livesPage(asked) {
  const lives = await paged("/v1/components/-/lifeStatuses", asked);
  return [el("h2", {}, "Life limits"), taken("LIFE_LIMITS"), table(`Life-limited parts: ${lives.at}`, lifeHeads, lifeRows(lives.rows), "No life-limited part is known."), lives.ways].filter(Boolean);
}

export async function donePage(asked) {
  const filter = filterOf(asked);
  const [list, on] = await Promise.all([paged(ordered("/v1/dueItems", filter), asked), subjects()]), items = list.rows;
  return [el("h2", {}, "Last done, next due"), ask("done", "Show", subject("On", on, asked)), taken("LAST_AND_NEXT", filter),
    table(`When each was last done and is next due: ${list.at}`, ["Code", "Requirement", "On", "Last done", "At", "Next due", "Left", "Band"], items.map((d) =>
      [d.requirementCode, d.requirementTitle, d.subjectLabel, date(d.lastDoneDate), counters(d.lastDoneCounters), date(d.dueDate), left(d.remaining), chip(d.band)]), "No requirement applies."), list.ways].filter(Boolean);
}

export async function findingsPage(asked) {
  const found = await paged(ordered("/v1/openFindings", "closed = false"), asked);
  return [el("h2", {}, "Open findings"), taken("OPEN_FINDINGS"), table(`Open findings and deferrals: ${found.at}`, findingHeads, findingRows(found.rows, await numbersOf(found.rows)), "No finding is open."), found.ways].filter(Boolean);
}
