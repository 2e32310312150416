// Releases to enter into the owner's or operator's record: until when, by which rule, and which stop the aircraft until they are entered.
import { has, nowText, send } from "/api.js";
import { date, dayOf, el, fold, last, link, table } from "/dom.js";
import { dayBox, entering, filled, textBox } from "/entry.js";
import { registered } from "/names.js";
import { ordered, paged } from "/paging.js";

// entry is the form of one release; said a second time it corrects, with a reason.
function entry(again, r) {
  if (!has("planner", "quality")) return "A planner or quality enters it.";
  const id = last(r.name), day = dayBox("enter_date", "entered-" + id, "Entered on", dayOf(nowText().slice(0, 10))), where = textBox("reference", "book-" + id, "Where: book and page, or the system and its id", { maxlength: "200" });
  const why = r.entries && r.entries.length ? textBox("correction_reason", "again-" + id, "Why it is said again", { maxlength: "400" }) : null;
  return fold(why ? "Correct it" : "It is entered", entering("enter-" + id, "Record it", [day, where, why].filter(Boolean), async () => {
    await send(`/v1/${r.name}:enter`, filled({ etag: r.etag, enterDate: day.value(), reference: where.value(), correctionReason: why ? why.value() : "" }));
    return `The release of ${r.number} is recorded as entered.`;
  }, again));
}

const late = (r) => r.latestDate && date(r.latestDate) < nowText().slice(0, 10);

const row = (again, plane) => (r) => {
  const newest = (r.entries || []).at(-1);
  return [link("order/" + last(r.workOrder), r.number), r.aircraft ? link("aircraft/" + last(r.aircraft), plane(r.aircraft)) : "off wing", r.engineSerial, date(r.releaseDate), date(r.latestDate),
    r.entered ? `${r.timely ? "○ in time" : "▲ late"}: ${date(newest.enterDate)}, ${newest.reference}` : r.flightBlocked ? el("strong", {}, "■ NOT OPERATED until it is entered") : late(r) ? el("strong", {}, "■ to enter, and its last day is past") : "◐ to enter", (r.rules || []).join("; ") || "–", entry(again, r)];
};
const heads = ["Order", "Aircraft", "Engine", "Released", "Enter until", "State", "By", "What now"];

export async function releasesPage(again, asked) {
  const [plane, open, done] = await Promise.all([registered(), paged(ordered("/v1/releaseEntries", "entered = false"), asked), paged(ordered("/v1/releaseEntries", "entered = true", "release_date desc"), asked, { called: "done-" })]);
  return [el("h2", {}, "Releases to enter"), el("p", {}, "A release counts for the owner only once it stands in the owner's or operator's record. Who enters it there says so here, with the place."),
    table(`Not entered yet: ${open.at}`, heads, open.rows.map(row(again, plane)), "Every release is entered."), open.ways,
    table(`Entered, newest first: ${done.at}`, heads, done.rows.map(row(again, plane)), "No release is entered yet."), done.ways].filter(Boolean);
}
