// The shelf list: every lot, and what a scanned code is and may be used for.
import { all, get } from "/api.js";
import { amount, chip, codeBox, el, instant, label, last, link, table, words } from "/dom.js";
import { batchOf, names } from "/names.js";
import { ordered, paged } from "/paging.js";

// saidOf is what a code is, in the words that people have for lots and items.
async function saidOf(scan, titles) {
  const { inWords } = names(), told = new Map(await Promise.all([scan.explanation, ...scan.warnings.map((w) => w.explanation), ...scan.actions.map((a) => a.explanation)].map(async (t) => [t, await inWords(t)])));
  const what = scan.lot ? `${scan.lot.shortCode}, ${titles.get(scan.item) || last(scan.item)}, ${batchOf(scan.lot)}: ${amount(scan.lot.onHand)}` : scan.elementText;
  const verb = (a) => el("li", {}, `${a.allowed ? "✓" : "✕"} ${a.verb}${a.explanation ? ": " + told.get(a.explanation) : ""}`);
  const verdict = scan.usable ? chip("USABLE") : el("span", { class: "chip bad" }, "■ " + words(scan.reason));
  return [el("p", {}, verdict, " " + what, scan.lot ? el("span", { class: "take" }, " ", link("lot/" + last(scan.lot.name), "Put aside, call back, give back, count")) : ""), el("p", {}, told.get(scan.explanation)), ...scan.warnings.map((w) => el("p", {}, told.get(w.explanation))),
    el("ul", {}, ...scan.actions.map(verb))];
}

const ended = ["EMPTIED", "DISPOSED"];
// byItem puts lots of an item together, the one that ends first on top; one without an end comes last.
const byItem = (titles) => (a, b) => (titles.get(a.item) || a.item).localeCompare(titles.get(b.item) || b.item) || (a.expireTime || "9").localeCompare(b.expireTime || "9");

export async function shelfPage(attempt, asked) {
  const gone = asked.get("gone") === "yes", which = ended.map((s) => `state ${gone ? "=" : "!="} ${s}`).join(gone ? " OR " : " AND ");
  const [list, items] = await Promise.all([paged(ordered("/v1/lots", which, gone ? "" : "item,expire_time"), asked), all("/v1/items")]), titles = new Map(items.map((i) => [i.name, i.displayName]));
  const answer = el("div", { id: "scanned", role: "status" });
  const box = codeBox("Scan or type a code", (code, newest) => {
    answer.replaceChildren();
    attempt(async () => {
      const said = await get("/v1/lots:parseScan?code=" + encodeURIComponent(code)).then((scan) => saidOf(scan, titles)).catch((e) => { if (newest()) throw e; return []; });
      if (newest()) answer.replaceChildren(...said);
    });
  });
  const row = (l) => [link("lot/" + last(l.name), l.shortCode), link("item/" + last(l.item), titles.get(l.item) || last(l.item)), batchOf(l), chip(l.state), amount(l.onHand), amount(l.reserved), instant(l.expireTime), l.lifeRule, label(l)];
  const heads = ["Code", "Item", "Lot", "State", "On hand", "Claimed", "Usable until", "Rule", "Print"];
  return [el("h2", {}, "Shelf list"), box, answer, table(gone ? `Nothing of these is left: ${list.at}` : `What is there, by item, what ends first on top: ${list.at}`, heads, (gone ? list.rows : list.rows.toSorted(byItem(titles))).map(row),
    gone ? "Nothing was emptied or disposed of." : el("span", {}, "Nothing is there. What arrives is entered under ", link("receive", "Receiving"), ".")), list.ways,
  el("p", { class: "take" }, gone ? link("shelf", "What is there") : link("shelf?gone=yes", "Emptied and disposed of"))].filter(Boolean);
}
