// Recipes: how each solution is mixed, signed by quality out of the document that says so. A change is a new revision; mixes keep the one that they were made by.
import { all, get, has, otherwise, send } from "/api.js";
import { chip, el, fold, instant, last, link, table } from "/dom.js";
import { filled, idOf, numberBox, pickBox, textBox, tickBox, wrong } from "/entry.js";
import { paged } from "/paging.js";
import { signedForm } from "/proven.js";
import { document_ } from "/standing.js";

const mixable = ["WATER", "CLEANER", "ANTIFREEZE", "BLEND"];
const may = () => has("quality");
const state = (r) => chip(r.withdrawn ? "WITHDRAWN" : "IN_FORCE");
const several = (n, one, many) => `${n} ${n === 1 ? one : many}`;
const percent = (permille) => `${(permille || 0) / 10} %`;

// knownOf are the items by their names, and the names of people.
async function knownOf() {
  const [items, people] = await Promise.all([all("/v1/items"), otherwise(all("/v1/people"), [])]);
  const of = (name) => items.find((i) => i.name === name) || { name, displayName: last(name) };
  return { items, of, called: (name) => of(name).displayName, who: (name) => (people.find((p) => p.name === name) || {}).displayName || last(name) || "–" };
}

// partsText says what goes in, each with its share of the whole.
function partsText(r, known) {
  const whole = (r.ingredients || []).reduce((sum, i) => sum + i.parts, 0);
  return (r.ingredients || []).map((i) => `${several(i.parts, "part", "parts")} of ${known.called(i.item)} (${(100 * i.parts / whole).toFixed(1)} %)`).join(", ");
}

// meaning are the sentences that say what a recipe asks for.
function meaning(r, known) {
  const cleaners = (r.ingredients || []).filter((i) => known.of(i.item).kind === "CLEANER");
  return [`${r.displayName} makes ${known.called(r.item)}: ${partsText(r, known)}, by volume.`,
    cleaners.length > 1 ? `▲ CAUTION: ${several(cleaners.length, "cleaner goes", "different cleaners go")} into it. Cleaners may react with each other: sign it only if the document names just these together.` : "",
    `A measured part may miss its share by ${percent(r.partTolerancePermille || 20)}.`, `Mixing may lose ${percent(r.lossMinPermille)} to ${percent(r.lossMaxPermille)} of what goes in; a mix that lost less or more is refused.`,
    `The mix keeps ${r.potLifeHours} h at most, and less where a cleaner in it says so.`, `By ${document_(r.document)}.`, r.withdrawn ? "■ It is WITHDRAWN: nobody mixes by it any more." : ""];
}

// thousandths reads a share that is typed in per cent, of which the ledger keeps a tenth.
function thousandths(box, least) {
  const n = box.value();
  if (n === undefined) return undefined;
  const permille = Math.round(n * 10);
  if (Math.abs(permille - n * 10) > 1e-6 || permille < least) throw wrong(box.path, least ? "Give more than 0 %, in steps of 0.1." : "Give 0 % or more, in steps of 0.1.");
  return permille;
}
function counted(box, what) {
  const n = box.value();
  if (n === undefined) throw wrong(box.path, `Give ${what}.`);
  if (!Number.isInteger(n) || n < 1) throw wrong(box.path, "Give a whole number, 1 or more.");
  return n;
}
function needed(box, what) {
  if (!box.value()) throw wrong(box.path, `Give ${what}.`);
  return box.value();
}

// boxesOf are the boxes of a recipe, new or as its newest revision is. Each thing that can go in has its box for parts: there are few of them, and none is forgotten under another.
function boxesOf(r, known) {
  const d = r.document || {}, blends = known.items.filter((i) => i.kind === "BLEND"), share = (permille) => (permille ? permille / 10 : undefined);
  const inIt = (i) => (r.ingredients || []).some((g) => g.item === i.name); // also what may not go in any more, so that it does not drop out unseen
  const parts = known.items.filter((i) => inIt(i) || (mixable.includes(i.kind) && !i.readyToUse && i.name !== r.item)).toSorted((a, b) => mixable.indexOf(a.kind) - mixable.indexOf(b.kind) || a.displayName.localeCompare(b.displayName))
    .map((i) => ({ item: i.name, ...numberBox("recipe.ingredients", "recipe-part-" + last(i.name), `Parts of ${i.displayName}`, ((r.ingredients || []).find((g) => g.item === i.name) || {}).parts, { inputmode: "numeric" }) }));
  return { name: textBox("recipe.display_name", "recipe-name", "Name of the recipe", { value: r.displayName, maxlength: "120" }),
    item: r.name ? null : pickBox("recipe.item", "recipe-item", "What it makes", [["", "Choose one"], ...blends.map((i) => [i.name, i.displayName])]), parts,
    least: numberBox("recipe.loss_min_permille", "recipe-least", "Mixing loses at least, %", share(r.lossMinPermille), { hint: "What stays in jugs and hoses; empty is 0." }),
    most: numberBox("recipe.loss_max_permille", "recipe-most", "Mixing loses at most, %", share(r.lossMaxPermille), { hint: "4 % is the most that the ledger takes." }),
    tolerance: numberBox("recipe.part_tolerance_permille", "recipe-tolerance", "A measured part may miss its share by, %", share(r.partTolerancePermille), { hint: "Empty is 2 %, which is the most." }),
    keeps: numberBox("recipe.pot_life_hours", "recipe-keeps", "The mix keeps, hours", r.potLifeHours, { inputmode: "numeric" }),
    title: textBox("recipe.document", "recipe-document", "Document that states it", { value: d.title, maxlength: "200" }), revision: textBox("recipe.document.revision", "recipe-revision", "Its revision", { value: d.revision, maxlength: "64" }),
    section: textBox("recipe.document.section", "recipe-section", "Its section", { value: d.section, maxlength: "120" }),
    withdrawn: r.name ? tickBox("recipe.withdrawn", "recipe-withdrawn", "Withdrawn: nobody mixes by it any more", r.withdrawn) : null, why: r.name ? textBox("reason", "recipe-why", "Why it is revised", { maxlength: "400" }) : null };
}

function recipeOf(b, r) {
  const ingredients = b.parts.map((p) => ({ item: p.item, parts: p.value() === undefined ? undefined : counted(p, "how many parts") })).filter((i) => i.parts);
  const displayName = needed(b.name, "the name of the recipe"), item = r.item || needed(b.item, "what it makes");
  if (ingredients.some((i) => i.item === item)) throw wrong("recipe.ingredients", "It is not mixed of itself. Empty its box of parts.");
  if (ingredients.length < 2) throw wrong("recipe.ingredients", "Give the parts of two things at least.");
  if (b.most.value() === undefined) throw wrong(b.most.path, "Give how much mixing loses at most.");
  return filled({ displayName, item, ingredients, lossMinPermille: thousandths(b.least, 0), lossMaxPermille: thousandths(b.most, 1), partTolerancePermille: thousandths(b.tolerance, 1), potLifeHours: counted(b.keeps, "how long the mix keeps"),
    document: filled({ title: needed(b.title, "the document that states it"), revision: needed(b.revision, "its revision"), section: b.section.value() }), withdrawn: b.withdrawn && b.withdrawn.value() ? true : undefined });
}

const grouped = (parts) => ({ boxes: () => parts, nodes: [el("fieldset", {}, el("legend", {}, "What goes in, in parts by volume"), el("p", {}, "Empty: none of it. What is ready to use is never mixed, and has no box."), ...parts.flatMap((p) => p.nodes))] });

// recipeForm is signed with a fresh proof; what it makes stays as it was.
function recipeForm(again, r, known) {
  const b = boxesOf(r, known), { parts, ...rest } = b, { name, item, ...after } = rest;
  const read = () => ({ recipe: recipeOf(b, r), ...(b.why ? { reason: needed(b.why, "why it is revised") } : {}) });
  const save = async (body) => {
    if (r.name) return `Revision ${(await send(`/v1/${r.name}:revise`, { etag: r.etag, ...body })).revision} is signed: mixes are made by it from now on.`;
    const made = await send("/v1/recipes", filled({ recipeId: /^[a-z]/.test(idOf(body.recipe.displayName)) ? idOf(body.recipe.displayName) : "", ...body }));
    location.hash = "#/recipes/" + last(made.name);
    return "";
  };
  return signedForm("recipe-form", r.name ? "Sign the next revision" : "Sign the recipe", [name, item, grouped(parts), ...Object.values(after)].filter(Boolean),
    { read, words: (body) => [...meaning(body.recipe, known), body.reason ? `Why: ${body.reason}` : ""], save, again });
}

const caution = () => el("p", { class: "caution" }, "CAUTION: whoever mixes goes by what you sign. Take every number from the approved document, and look at the safety data sheet of everything that goes in.");

export async function recipesPage(again, id, asked) {
  const known = await knownOf();
  if (id) return oneRecipe(again, id, known);
  const list = await paged("/v1/recipes", asked), blends = known.items.filter((i) => i.kind === "BLEND");
  const lacking = blends.filter((i) => i.recipeRequired && !list.rows.some((r) => r.item === i.name && !r.withdrawn));
  return [el("h2", {}, "Recipes"), ...(list.ways ? [] : lacking.map((i) => el("p", { class: "caution" }, `${i.displayName} is mixed by a signed recipe only, and none is in force.`))),
    table(`How each solution is mixed: ${list.at}`, ["Recipe", "Makes", "Parts", "Revision", "By", "Signed", "State"], list.rows.map((r) => [link("recipes/" + last(r.name), r.displayName), known.called(r.item), partsText(r, known), String(r.revision), document_(r.document),
      `${known.who(r.signer)}, ${instant(r.signTime)}`, state(r)]), "No recipe yet. What is mixed goes by the ratios that are approved on its cleaner."), list.ways,
    !may() ? el("p", {}, "Quality signs recipes.") : blends.length ? fold("Sign a recipe", caution(), await recipeForm(again, {}, known)) : el("p", { class: "caution" }, "No item is mixed here yet, so there is nothing to sign a recipe of. Stores add one of the kind solution mixed here. ", link("items", "Items"))].filter(Boolean);
}

// before are the earlier revisions, newest first.
async function before(r) {
  const numbers = Array.from({ length: Math.min(r.revision - 1, 20) }, (_, i) => r.revision - 1 - i);
  return Promise.all(numbers.map((n) => get(`/v1/${r.name}?revision=${n}`)));
}

async function oneRecipe(again, id, known) {
  const r = await get("/v1/recipes/" + encodeURIComponent(id)), earlier = await before(r);
  return [el("h2", {}, r.displayName), el("p", {}, state(r), ` Revision ${r.revision}, signed by ${known.who(r.signer)}, ${instant(r.signTime)}. `, r.revisionReason ? `Why: ${r.revisionReason}` : ""),
    el("section", { class: "meaning" }, el("h3", {}, "What it says"), el("ul", {}, ...meaning(r, known).filter(Boolean).map((line) => el("li", {}, line)))),
    el("p", {}, "SHA-256 of what was signed: ", el("code", {}, r.contentHash)),
    may() ? fold("Sign its next revision", caution(), await recipeForm(again, r, known)) : el("p", {}, "Quality signs the next revision."),
    table("Earlier revisions", ["Revision", "Parts", "Loses", "Keeps", "By", "Signed", "Why"], earlier.map((e) => [String(e.revision), partsText(e, known), `${percent(e.lossMinPermille)} to ${percent(e.lossMaxPermille)}`, `${e.potLifeHours} h`, document_(e.document),
      `${known.who(e.signer)}, ${instant(e.signTime)}`, e.revisionReason || "–"]), "This is the first revision."),
    el("p", { class: "take" }, link("item/" + last(r.item), known.called(r.item)), " ", link("recipes", "All recipes"))];
}
