// A lot: what it is, where it is and where it went; put aside, called back, given back and counted. Whoever finds something wrong with it starts here.
import { all, get, has, otherwise, send } from "/api.js";
import { amount, chip, decimal, el, fold, hazards, instant, label, last, link, table, words } from "/dom.js";
import { entering, pickBox, textBox, tickBox, wrong } from "/entry.js";
import { batchOf, calledOf } from "/names.js";
import { withdrawing } from "/recalled.js";

const kept = ["BIN", "HOLD_AREA"]; // places that are in stores
const typed = (box, unit) => {
  if (!box.value()) throw wrong(box.path, "Type the amount.");
  return { value: decimal(box.value()), unitCode: unit };
};

// made are the lots that were made of the one that a trace follows; what that one was made of is behind it.
const made = (t) => (t.nodes || []).filter((n) => n.depth > 0);
const madeOf = (t) => (t.nodes || []).filter((n) => n.depth < 0);

// reach says what a lot went into: what was made of it, and the orders and engines that it was used on.
const reach = (t) => [[made(t).length, "lot that was made of it", "lots that were made of it"], [(t.workOrders || []).length, "order", "orders"], [(t.engines || []).length, "engine", "engines"]]
  .filter(([n]) => n > 0).map(([n, one, many]) => `${n} ${n === 1 ? one : many}`).join(", ") || "nothing else yet";

// holding puts a lot aside, or calls it back with everything that was made of it.
function holding(again, lot, traced) {
  const why = textBox("reason", "hold-why", "What is wrong with it", { rows: "2", maxlength: "400" }), cause = textBox("reason", "recall-why", "Who calls it back, and why", { rows: "2", maxlength: "400" });
  const hold = ["USABLE", "EXPIRED"].includes(lot.state) && has("technician", "stores", "quality") ? fold("Put it aside", el("p", {}, "Nothing of it, and nothing that was filled or mixed from it, is issued until it is cleared again."),
    entering("hold-form", "Put it aside", [why], async () => { await send(`/v1/${lot.name}:hold`, { etag: lot.etag, reason: why.value() }); return "It is put aside: nothing of it is issued."; }, again)) : null;
  const recall = lot.state !== "RECALLED" && has("stores", "quality") ? fold("Call it back", el("p", { class: "caution" }, `CAUTION: this blocks the lot, all deliveries of its batch and everything made of them at once, and stays so until quality takes the recall back. It reached ${reach(traced)}; quality decides what that asks for.`),
    entering("recall-form", "Call it back", [cause], async () => { await send(`/v1/${lot.name}:recall`, { etag: lot.etag, reason: cause.value() }); return "It is called back: nothing of it is issued. Where it went stands below."; }, again)) : null;
  return [hold, recall, withdrawing(again, lot)];
}

// returning takes back what an issue handed out, at most; what may not be used again goes to a place where it is held.
function returning(again, m, places, unit) {
  const id = "back-" + last(m.name), much = textBox("quantity", id + "-much", `How much came back, ${unit}`, { inputmode: "decimal" }), to = pickBox("location", id + "-to", "Where it goes", places.map((l) => [l.name, `${l.displayName}${l.kind === "HOLD_AREA" ? " (held)" : ""}`]));
  const spoilt = tickBox("contaminated", id + "-spoilt", "It may have been spoilt: it is held as a lot of its own"), why = textBox("reason", id + "-why", "Its condition", { maxlength: "200" });
  return fold("It came back", entering(id, "Take it back", [much, to, spoilt, why], async () => {
    await send(`/v1/${m.name}:return`, { quantity: typed(much, unit), location: to.value(), reason: why.value(), contaminated: spoilt.value(), lot: m.lot });
    return "It is taken back.";
  }, again));
}

// counting is a blind count: what the books say is not shown before it is in. A difference is posted by another person.
function counting(again, lot, places, counts, books) {
  const holds = (l) => (lot.balances || []).some((b) => b.location === l.name);
  const unit = lot.onHand.unitCode, at = pickBox("stock_count.location", "count-at", "Where", places.toSorted((a, b) => Number(holds(b)) - Number(holds(a))).map((l) => [l.name, l.displayName])), much = textBox("stock_count.counted", "count-much", `What is there, ${unit}`, { inputmode: "decimal" }), why = textBox("stock_count.reason", "count-why", "What explains a difference", { maxlength: "200" });
  const waits = counts.filter((c) => c.state === "WAITING"), post = (c) => entering("post-" + last(c.name), "Post the difference", [], async () => { await send(`/v1/${c.name}:approve`, { etag: c.etag }); return "The difference is posted."; }, again);
  const count = fold("Count it", el("p", {}, "What the books say is hidden while you count."), entering("count-form", "Enter the count", [at, much, why], async () => {
    const made = await send("/v1/stockCounts", { lot: lot.name, location: at.value(), counted: typed(much, unit), ...(why.value() ? { reason: why.value() } : {}) });
    return made.state === "AGREED" ? "The count agrees with the books." : `◐ The books had ${amount(made.expected)}, a difference of ${amount(made.difference)}: another person posts it.`;
  }, again));
  count.addEventListener("toggle", () => { books.hidden = count.open; });
  return [count, waits.length ? table("Counts that another person posts", ["Where", "Counted", "Books", "Difference", "Why", "What now"], waits.map((c) => [(places.find((l) => l.name === c.location) || {}).displayName || last(c.location), amount(c.counted), amount(c.expected), amount(c.difference), c.reason || "–", post(c)]), "") : null];
}

export async function lotPage(again, id) {
  const lot = await get("/v1/lots/" + encodeURIComponent(id)), of = (path, field) => otherwise(all(path, field), []), filter = encodeURIComponent(`lot = ${JSON.stringify(lot.name)}`);
  const [item, traced, moves, counts, locations, orders] = await Promise.all([get("/v1/" + lot.item), otherwise(get(`/v1/${lot.name}:trace`), {}), of("/v1/stockMovements?filter=" + filter, "stockMovements"), of("/v1/stockCounts?filter=" + filter, "stockCounts"), of("/v1/locations"), of("/v1/workOrders")]);
  const [itemCalled, who, serial] = await Promise.all([calledOf("/v1/items"), calledOf("/v1/people"), calledOf("/v1/engines", "serial")]);
  const places = locations.filter((l) => kept.includes(l.kind)), placed = new Map(locations.map((l) => [l.name, l.displayName])), numbers = new Map(orders.map((o) => [o.name, o.number])), order = (name) => (name ? link("order/" + last(name), numbers.get(name) || last(name)) : "–");
  const codesOf = (nodes) => Promise.all(nodes.slice(0, 50).map(async (n) => [n.lot, await otherwise(get("/v1/" + n.lot), null)])), [codes, origins] = await Promise.all([codesOf(made(traced)), codesOf(madeOf(traced))]);
  const lots = (title, list) => (list.length ? table(title, ["Code", "Item", "State"], list.map(([name, l]) => [link("lot/" + last(name), l ? l.shortCode : last(name)), l ? itemCalled(l.item) : "–", l ? chip(l.state) : "–"]), "") : null);
  const stocks = has("stores"), moved = (m) => [instant(m.effectiveTime), words(m.kind), amount(m.quantity), order(m.workOrder), m.person ? who(m.person) : "–", m.reason || "–", stocks && m.kind === "ISSUED" && !m.reversalMovement ? returning(again, m, places, m.quantity.unitCode) : "–"];
  const books = el("div", { id: "books" }, el("p", {}, `${amount(lot.onHand)} on hand.`), table("Where it is", ["Place", "Amount"], (lot.balances || []).filter((b) => places.some((l) => l.name === b.location)).map((b) => [placed.get(b.location), amount(b.quantity)]), "Nothing of it is in stores."));
  return [el("h2", {}, `Lot ${lot.shortCode}`), el("p", {}, chip(lot.state), " ", link("item/" + last(lot.item), item.displayName), `, ${batchOf(lot)}. `, lot.holdReason ? el("strong", {}, (lot.state === "RECALLED" ? "Called back: " : "Held: ") + lot.holdReason) : ""), hazards(item),
    el("p", {}, `Usable until ${instant(lot.expireTime)}: ${lot.lifeRule || "no limit of life"}.`),
    el("section", { class: "job", id: "lot-verbs" }, el("h3", {}, "What can be done with it"), ...[...holding(again, lot, traced), ...(stocks ? counting(again, lot, places, counts, books) : [])].filter(Boolean), el("p", { class: "take" }, label(lot))),
    books,
    table("What it was used on, also by what was made of it", ["Order", "Engine", "Amount", "When"], (traced.uses || []).map((u) => [order(u.workOrder), u.engine ? link("engine/" + last(u.engine), serial(u.engine)) : "–", amount(u.quantity), instant(u.useTime)]), "Nothing of it was used yet."),
    lots("Lots that were made of it", codes), lots("What it was made of", origins),
    table("Its movements, newest first", ["When", "What", "Amount", "For", "Who", "Why", "What now"], moves.toSorted((a, b) => b.effectiveTime.localeCompare(a.effectiveTime)).map(moved), "Nothing was moved yet.")].filter(Boolean);
}
