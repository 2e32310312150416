// The page of an item: what it may be used for and by which document, how it is mixed, how long it keeps, what it can do to people, and where
// its lots are.
import { get } from "/api.js";
import { amount, chip, date, el, hazards, instant, last, link, table, words } from "/dom.js";
import { changing, kinds } from "/items.js";
import { batchOf } from "/names.js";

const days = (n, unit) => (n ? `${n} ${unit}` : "not stated");

// useOf is one line of what an item may be used for.
function useOf(use) {
  const d = use.document || {};
  return [words(use.workKind), (use.engineModels || []).map((m) => last(m)).join(", ") || "any", [d.title, d.revision, d.section].filter(Boolean).join(", ")];
}

function facts(item) {
  const ratios = (item.approvedMixRatios || []).map((r) => `${r.waterParts} of water to ${r.cleanerParts} of cleaner`);
  return [
    ["Kind", (kinds.find(([k]) => k === item.kind) || [])[1] || words(item.kind)], ["Part number", item.partNumber], ["Counted in", item.baseUnitCode],
    ["Packs", (item.packSizes || []).map((p) => `${p.displayName}, ${amount(p.quantity)}`).join("; ")],
    ["Mixing", item.readyToUse ? "ready to use, never mixed" : ratios.join("; ") || (item.recipeRequired ? "by a signed recipe only" : "")],
    ["Keeps sealed", item.noLifeLimit ? "for ever" : item.shelfLifeMonths ? days(item.shelfLifeMonths, "months") : days(item.shelfLifeDays, "days")],
    ["Keeps opened", days(item.openedLifeDays, "days")], ["Keeps mixed", days(item.potLifeHours, "hours")],
    ["Store at", [item.storageMinC, item.storageMaxC].filter((c) => c !== undefined && c !== null).map((c) => c + " °C").join(" to ")],
    ["Safety data sheet", [item.safetyDataSheetRevision, item.safetyDataSheetDate && date(item.safetyDataSheetDate)].filter(Boolean).join(" of ")],
    ["Receiving", [item.certificateRequired && "with a certificate", item.secondPersonClears && "cleared by a second person", item.waterGrade && "tested for " + item.waterGrade].filter(Boolean).join(", ")],
    ["Questions", (item.receivingQuestions || []).join(" ")],
    ["Elsewhere", Object.entries(item.externalIds || {}).map(([system, id]) => `${system} ${id}`).join(", ")],
  ].map(([what, value]) => [what, value || "–"]);
}

export async function itemPage(again, name) {
  const [item, found, places, form] = await Promise.all([get("/v1/" + name), get("/v1/lots?pageSize=1000&filter=" + encodeURIComponent(`item = "${name}"`)), get("/v1/locations?pageSize=1000"), changing(again, name)]);
  const stores = new Map(places.locations.filter((l) => l.kind === "BIN" || l.kind === "HOLD_AREA").map((l) => [l.name, l.displayName]));
  const lots = found.lots.map((l) => [link("lot/" + last(l.name), l.shortCode), batchOf(l), chip(l.state), amount(l.onHand), instant(l.expireTime),
    (l.balances || []).filter((b) => stores.has(b.location)).map((b) => `${amount(b.quantity)} at ${stores.get(b.location)}`).join("; ") || "–"]);
  return [
    el("h2", {}, item.displayName), item.demonstrationOnly ? el("p", { class: "caution" }, "Demonstration only: this item is invented.") : null,
    hazards(item),
    el("p", {}, `${amount(item.onHand)} on hand, ${amount(item.available)} may be promised.`),
    table("What it may be used for", ["Work", "Engine models", "By which document"], (item.allowedUses || []).map(useOf), "No use is stated: it may be issued to any work."),
    table("The item", ["What", "As recorded"], facts(item), ""),
    table("Its lots", ["Code", "Batch", "State", "On hand", "Usable until", "Where"], lots, "No lot was received yet."), form,
  ].filter(Boolean);
}
