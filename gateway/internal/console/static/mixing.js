// Mixing for an order: what it can do to people first, then what was measured of the lots that the order holds, and what came out. What is typed is checked and shown once
// more before it is recorded, as nobody takes a mix back out of the ledger without a mirror entry.
import { Refused, all, get, has, otherwise, send } from "/api.js";
import { ask, pick } from "/asking.js";
import { amount, chip, date, decimal, el, hazards, instant, label, last, link, table, unitText, utc } from "/dom.js";
import { entering, filled, numberBox, pickBox, textBox, wrong } from "/entry.js";
import { batchOf, names } from "/names.js";
import { planPanel } from "/plan.js";
import { pressing } from "/press.js";

const mixable = ["CLEANER", "WATER", "ANTIFREEZE", "BLEND"];
const units = ["L", "mL", "[gal_us]", "[qt_us]"];
const byRatio = "ratio"; // in the address, in place of a recipe

// usual are the precautions that every mix asks for: common practice, no source. What applies to these products is in their own documents.
const usual = "Before you mix, read the safety data sheet of everything that goes in, and wear what it asks for. Mix where the air is changed and nothing burns or sparks. Never put two cleaners together. " +
  "What is poured into what, how warm and how fast, is as the approved data and the safety data sheets say.";

// heldBy are the lots that an order holds, with how much of each, and what was mixed for it. A pack that was opened for it is a lot of its own, which only its time leads to.
async function heldBy(order) {
  const moves = await all("/v1/stockMovements?filter=" + encodeURIComponent(`work_order = ${JSON.stringify(order)}`), "stockMovements");
  const packs = await Promise.all(moves.filter((m) => m.kind === "OPENED").map((m) => all("/v1/lots?filter=" + encodeURIComponent(`item = ${JSON.stringify(m.item)} AND create_time >= ${JSON.stringify(m.createTime)}`), "lots")));
  const lots = new Map(packs.flat().map((l) => [l.name, l]));
  for (const lot of await Promise.all([...new Set(moves.map((m) => m.lot))].filter((n) => !lots.has(n)).map((n) => get("/v1/" + n)))) lots.set(lot.name, lot);
  const with_ = (lot) => ((lot.balances || []).find((b) => b.location === order) || {}).quantity;
  const held = [...lots.values()].map((lot) => ({ lot, quantity: with_(lot) })).filter((h) => h.quantity && Number(h.quantity.value) > 0);
  return { held, mixes: moves.filter((m) => m.kind === "BLENDED").map((m) => ({ ...m, made: lots.get(m.lot) })) };
}

// chosenOf is which mix, by which recipe: what the address says, else the first item that is mixed here, by its newest recipe that is in force.
async function chosenOf(items, asked) {
  const blends = items.filter((i) => i.kind === "BLEND"), item = blends.find((i) => i.name === asked.get("item")) || blends[0];
  const recipes = item ? (await all("/v1/recipes?filter=" + encodeURIComponent(`item = ${JSON.stringify(item.name)}`), "recipes")).filter((r) => !r.withdrawn) : [];
  const newest = recipes.toSorted((a, b) => b.signTime.localeCompare(a.signTime)), free = item && !item.recipeRequired;
  const recipe = free && asked.get("recipe") === byRatio ? undefined : newest.find((r) => r.name === asked.get("recipe")) || newest[0];
  return { blends, item, recipes: newest, recipe, free };
}

const documentOf = (d) => (d ? [d.title, d.revision && "rev. " + d.revision, d.section].filter(Boolean).join(", ") : "");

// said is a recipe in words: its parts, what it may lose, how long it keeps and by which document.
const said = (recipe, itemOf) => el("p", { id: "recipe-said" }, `${recipe.displayName}, revision ${recipe.revision}, by ${documentOf(recipe.document)}: ${recipe.ingredients.map((i) => `${i.parts} ${i.parts === 1 ? "part" : "parts"} of ${itemOf(i.item).displayName}`).join(", ")}; ` +
  `it loses ${(recipe.lossMinPermille || 0) / 10} to ${recipe.lossMaxPermille / 10} % and keeps ${recipe.potLifeHours} h at most.`);

// first is what stands before anything is typed.
function first(concerned, plan) {
  const sheet = (i) => [i.safetyDataSheetRevision && "revision " + i.safetyDataSheetRevision, i.safetyDataSheetDate && "of " + date(i.safetyDataSheetDate)].filter(Boolean).join(" ");
  return el("section", { id: "before-mixing" }, el("h3", {}, "Before you mix"), el("p", { class: "caution" }, el("strong", {}, "CAUTION: "), usual),
    ...concerned.flatMap((i) => [el("p", {}, link("item/" + last(i.name), i.displayName), sheet(i) ? `, safety data sheet ${sheet(i)}` : ", no safety data sheet is on record"), hazards(i)]), ...planPanel(plan, Object.fromEntries(concerned.map((i) => [i.name, i.displayName]))));
}

// partOf are the boxes of one lot: how much of it was measured in, and in which unit. What stays empty does not go in.
function partOf({ lot, quantity }, item) {
  const id = "part-" + last(lot.name), unit = quantity.unitCode, blocked = lot.state === "USABLE" ? "" : ` It is ${lot.state}: only what was mixed before it was is recorded, with its time.`;
  const box = textBox("part-" + lot.name, id, `${item.displayName}, ${batchOf(lot)}, code ${lot.shortCode}: measured in`, { inputmode: "decimal", hint: `The order holds ${amount(quantity)}.${blocked}` });
  const inUnit = pickBox("", id + "-unit", `Unit of ${lot.shortCode}`, [...new Set([unit, ...units])].map((u) => [u, unitText(u)]), unit);
  return { box, boxes: () => [box], nodes: [...box.nodes, ...inUnit.nodes], lot, quantity: () => measured(box, inUnit) };
}

// measured is an amount that was typed; none for an empty box.
function measured(box, unit) {
  const typed = box.value();
  if (!typed) return undefined;
  if (!/^\d+(\.\d+)?$/.test(decimal(typed)) || !Number(decimal(typed))) throw wrong(box.path, `“${typed}” is no amount. Type what was measured, such as 1.623.`);
  return { value: decimal(typed), unitCode: unit.value() };
}

// ratioBox asks for the ratio where no recipe says the parts: one that is approved for a cleaner that the order holds.
function ratioBox(held, itemOf) {
  const approved = held.flatMap((h) => itemOf(h.lot.item).approvedMixRatios || []).map((r) => [`${r.waterParts}:${r.cleanerParts}`, ratioText(r)]);
  return pickBox("ratio", "ratio", "Approved ratio", [["", "no cleaner goes in"], ...new Map(approved)], (approved[0] || [""])[0]);
}

const ratioText = (r) => `${r.waterParts} parts of water to ${r.cleanerParts} of cleaner`;
const ratioOf = (text) => { const [waterParts, cleanerParts] = text.split(":").map(Number); return text ? { waterParts, cleanerParts } : undefined; };

// revisionAt is the revision that lies before whoever mixes. What was mixed before it was signed was mixed by the one of then, which the service knows.
const revisionAt = (recipe, at) => (at && Date.parse(at) < Date.parse(recipe.signTime) ? undefined : recipe.revision);

// bodyOf is what is sent: the parts that have an amount, each told where its refusals stand.
function bodyOf(order, { item, recipe }, parts, b) {
  for (const p of parts) p.box.path = "part-" + p.lot.name; // of one that does not go in
  const going = parts.filter((p) => p.box.value());
  going.forEach((p, i) => { p.box.path = `parts[${i}]`; });
  const body = going.map((p) => ({ lot: p.lot.name, quantity: p.quantity() }));
  if (body.length < 2) throw wrong(parts.find((p) => !p.box.value()).box.path, "A mix is made of two lots at least. Type what was measured of each.");
  const output = measured(b.out, b.unit), at = utc(b.at);
  if (!output) throw wrong("output", "Measure what came out, and type it.");
  return filled({ item: item.name, workOrder: order.name, parts: body, output, effectiveTime: at, potLifeHours: b.keeps.value(), ratio: b.ratio && ratioOf(b.ratio.value()), recipe: recipe && recipe.name, recipeRevision: recipe && revisionAt(recipe, at) });
}

// placed puts what the service refuses into words, and to the lot that it names where it names no field.
async function placed(e, parts, inWords) {
  const at = parts.find((p) => p.lot.name === (e.metadata || {}).lot), message = await inWords(e.message);
  const violations = await Promise.all((e.violations || []).map(async (v) => ({ ...v, description: await inWords(v.description) })));
  return Object.assign(e, { message, violations: violations.length || !at ? violations : [{ field: at.box.path, description: message }] });
}

// checked is what would be recorded, and the press that does it.
function checked(again, body, lot, chosen, parts) {
  const went = body.parts.map((p) => `${amount(p.quantity)} of ${parts.find((one) => one.lot.name === p.lot).lot.shortCode}`).join(", ");
  const rows = [["Mixed", chosen.item.displayName], ["By", chosen.recipe ? `${chosen.recipe.displayName}, revision ${lot.recipeRevision}` : body.ratio ? ratioText(body.ratio) : "no recipe, and no cleaner goes in"], ["Went in", went], ["Came out", amount(lot.received)],
    ["Mixed at", body.effectiveTime ? instant(body.effectiveTime) : "now"], ["Usable until", `${instant(lot.expireTime)}: ${lot.lifeRule || "no limit of life"}`]];
  const record = pressing(again)("Record the mix", async () => {
    const made = await send("/v1/lots:blend", body);
    return `Mixed: ${amount(made.received)} of ${chosen.item.displayName}, code ${made.shortCode}, usable until ${instant(made.expireTime)}. Print its label.`;
  });
  return [table("Nothing is recorded yet. This is what will be", ["What", "As typed"], rows, ""), record];
}

// form asks for what was measured.
function form(again, order, chosen, held, itemOf) {
  const { item, recipe } = chosen, { inWords } = names(), parts = held.map((h) => partOf(h, itemOf(h.lot.item)));
  const b = { ratio: recipe ? null : ratioBox(held, itemOf), out: textBox("output", "out", "Measured out, all that came of it", { inputmode: "decimal" }),
    unit: pickBox("", "out-unit", "Unit of what came out", [...new Set([item.baseUnitCode, ...units])].map((u) => [u, unitText(u)]), item.baseUnitCode),
    at: textBox("effective_time", "mixed-at", "When it was mixed, UTC", { type: "datetime-local", hint: "Empty means now." }),
    keeps: numberBox("pot_life_hours", "keeps", "Keeps, hours", undefined, { inputmode: "numeric", hint: "Empty takes the shortest of what the recipe, the item and its cleaners say. It can only be less." }) };
  const preview = el("div", { id: "mix-checked", role: "status" });
  const check = async () => {
    preview.replaceChildren();
    const body = bodyOf(order, chosen, parts, b);
    const lot = await send("/v1/lots:blend", { ...body, validateOnly: true }).catch(async (e) => { throw e instanceof Refused ? await placed(e, parts, inWords) : e; });
    return checked(again, body, lot, chosen, parts);
  };
  const made = entering("mix-form", "Check the mix", [...parts, b.ratio, b.out, b.unit, b.at, b.keeps].filter(Boolean), check, (shown) => {
    preview.replaceChildren(...shown);
    preview.querySelector("button").focus();
  });
  made.addEventListener("input", () => preview.replaceChildren()); // what was changed since is checked anew
  return [made, preview];
}

// missing says what the order does not hold yet.
function missing(order, recipe, held, itemOf) {
  const lacks = recipe ? recipe.ingredients.filter((i) => !held.some((h) => h.lot.item === i.item)).map((i) => itemOf(i.item).displayName) : [];
  const needs = lacks.length ? `The order holds nothing of: ${lacks.join(", ")}.` : held.length < 2 ? "The order does not hold what a mix is made of." : "";
  return needs ? el("p", { class: "caution" }, `${needs} Stores issue it first. `, link("issue/" + last(order.name), "Issue desk")) : null;
}

// entry is the form, or why there is none.
function entry(again, order, chosen, held, itemOf) {
  if (!has("technician", "stores")) return [el("p", {}, "A technician or stores record what is mixed.")];
  if (!chosen.recipe && !chosen.free) return [el("p", { class: "caution" }, `${chosen.item.displayName} is mixed by a signed recipe only, and none is in force. Quality signs one. `, link("recipes", "Recipes"))];
  const lacks = missing(order, chosen.recipe, held, itemOf);
  return lacks ? [lacks] : form(again, order, chosen, held, itemOf);
}

// mixes is what was mixed for the order, with the labels.
const mixes = (list, itemOf) => table("Mixed for this order", ["Code", "What", "Amount", "Mixed", "Usable until", "State", "Label"], list.map((m) => [link("lot/" + last(m.lot), m.made.shortCode), itemOf(m.item).displayName, amount(m.quantity), instant(m.effectiveTime),
  instant(m.made.expireTime), m.reversalMovement ? "taken back" : chip(m.made.state), label(m.made)]), "Nothing was mixed for this order yet.");

// choosing asks which mix and by which recipe; what is chosen stands in the address.
function choosing(order, { blends, item, recipes, recipe, free }, asked) {
  const now = new URLSearchParams({ item: item.name, recipe: recipe ? recipe.name : asked.get("recipe") || byRatio });
  const ways = [...recipes.map((r) => [r.name, `${r.displayName}, revision ${r.revision}`]), ...(free ? [[byRatio, "no recipe: by an approved ratio"]] : [])];
  return ask("mix/" + last(order.name), "Show its form", pick("item", "Mix", blends.map((i) => [i.name, i.displayName]), now), ways.length ? pick("recipe", "By", ways, now) : []);
}

export async function mixPage(again, id, asked) {
  const name = "workOrders/" + encodeURIComponent(id);
  const [order, items, plan, stock] = await Promise.all([get("/v1/" + name), all("/v1/items"), otherwise(get(`/v1/${name}/washPlan`), null), heldBy(name)]);
  const chosen = await chosenOf(items, asked), { item, recipe } = chosen, itemOf = (n) => items.find((i) => i.name === n) || { name: n, displayName: last(n) };
  const head = [el("h2", {}, `Mix for ${order.number}`), el("p", {}, `${order.displayName}, engine ${order.engineSerial}. `, link("work/" + id, "Work"), " ", link("order/" + id, "Order"))];
  if (!item) return [...head, el("p", { class: "caution" }, "No item is mixed here yet. Stores add one of the kind solution mixed here. ", link("items", "Items"))];
  const held = stock.held.filter((h) => (recipe ? recipe.ingredients.some((i) => i.item === h.lot.item) : mixable.includes(itemOf(h.lot.item).kind)));
  const goes = recipe ? recipe.ingredients.map((i) => i.item) : held.map((h) => h.lot.item), concerned = [...new Set([...goes, item.name])].map(itemOf);
  return [el("div", { id: "work" }, ...head, mixes(stock.mixes, itemOf), choosing(order, chosen, asked), first(concerned, plan), recipe ? said(recipe, itemOf) : "",
    el("section", { class: "job", id: "mixing" }, el("h3", {}, `Measured: ${item.displayName}`), ...entry(again, order, chosen, held, itemOf)))];
}
