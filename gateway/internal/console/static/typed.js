// What somebody typed on a page and did not save yet: it stays when the page is drawn anew after another form of it was saved, and when the tab is loaded again. It is
// kept in this tab only, by page and box, until its own form is saved, its person clears it or signs out. Passwords and codes of a moment are never kept.
import { current } from "/api.js";
import { el } from "/dom.js";

const place = "coldsection-typed", boxes = "input, textarea, select", parts = "form, details, fieldset, section";
const page = document.getElementById("page");

// Pages whose boxes are for one scan or one file, or for what is secret, and forms whose values stand in the address.
const unkept = /^#\/(issue|receive|account|waiting|import)\b/;
const keepable = (n) => n.id && !["password", "file", "hidden"].includes(n.type) && !/password|one-time-code|username/.test(n.autocomplete) && !n.hasAttribute("data-focus") && !n.closest(".ask, [data-unkept]");

// Boxes of the same name on different steps or entries are told apart by what stands around them as data-of.
const keyOf = (n) => [(n.closest("[data-of]") || { dataset: {} }).dataset.of, n.id].filter(Boolean).join(" ");
const pageOf = (hash) => hash.split("?")[0];

const read = () => {
  const all = JSON.parse(sessionStorage.getItem(place) || "{}");
  return current() && all.account === current().account ? all : { account: current() && current().account, pages: {} };
};
const write = (all) => sessionStorage.setItem(place, JSON.stringify(all));

// value is what a box says, and untouched whether that is what the page gave it.
const ticked = (n) => ["checkbox", "radio"].includes(n.type);
const value = (n) => (ticked(n) ? n.checked : n.value);
const given = (n) => (n instanceof HTMLSelectElement ? ([...n.options].find((o) => o.defaultSelected) || n.options[0] || { value: "" }).value : n.defaultValue);
const time = (text) => Date.parse(text + "Z");
const untouched = (n) => (ticked(n) ? n.checked === n.defaultChecked : n.value === given(n) || (n.type === "datetime-local" && time(n.value) === time(n.defaultValue)));

const saved = new WeakSet(); // boxes whose form was saved: what stands in them is no longer only typed

// noted takes down boxes of the page that is shown.
function noted(nodes) {
  const hash = page.dataset.shows;
  if (hash === undefined || unkept.test(hash) || !current()) return;
  const all = read(), here = { ...all.pages[pageOf(hash)] };
  for (const n of nodes) {
    if (!keepable(n)) continue;
    if (untouched(n) || saved.has(n)) delete here[keyOf(n)]; else here[keyOf(n)] = value(n);
  }
  const { [pageOf(hash)]: _, ...others } = all.pages;
  write({ ...all, pages: Object.keys(here).length ? { ...others, [pageOf(hash)]: here } : others });
}

// keepTyped notes what stands on the page before it is drawn anew.
export const keepTyped = () => noted(page.querySelectorAll(boxes));
// forgetTyped is when somebody signs out.
export const forgetTyped = () => sessionStorage.removeItem(place);

// another says that a box belongs to another button than the one at hand: something around it has a button of its own.
function another(n, within, at) {
  for (let a = n.parentElement.closest(parts); a && a !== within && within.contains(a); a = a.parentElement.closest(parts)) if (!a.contains(at) && a.querySelector(".press, form")) return true;
  return false;
}

// boxesOf are the boxes of a form, or of a button: those that stand with it.
export function boxesOf(at) {
  if (!at) return [];
  if (at instanceof HTMLFormElement) return [...at.querySelectorAll(boxes)];
  for (let around = at.closest(parts + ", main"); around; around = around.parentElement.closest(parts + ", main")) {
    const own = [...around.querySelectorAll(boxes)].filter((n) => !another(n, around, at));
    if (own.length || around === page) return own;
  }
  return [];
}

// savedTyped is when the form of these boxes was saved from a page, which may not be the one that is shown any more.
export function savedTyped(nodes, hash) {
  nodes.forEach((n) => saved.add(n));
  const all = read(), here = hash !== undefined && all.pages[pageOf(hash)];
  if (!here) return;
  nodes.forEach((n) => delete here[keyOf(n)]);
  write(all);
}

// offers says that a box can take what was kept: a choice that the list does not have any more would leave it blank, in place of what the page gives it.
const offers = (n, kept) => !(n instanceof HTMLSelectElement) || [...n.options].some((o) => o.value === kept);

// put sets a box as somebody does, who is heard by the page, and shows it.
function put(n, kept) {
  if (ticked(n)) n.checked = kept; else n.value = kept;
  n.dispatchEvent(new Event("input", { bubbles: true }));
  n.dispatchEvent(new Event("change", { bubbles: true }));
  for (let shut = n.closest("details"); shut; shut = shut.parentElement.closest("details")) shut.open = true;
}

// restoreTyped fills in what was typed before and says so; anew draws the page without it.
export function restoreTyped(anew) {
  const hash = page.dataset.shows, all = read(), here = all.pages[pageOf(hash)];
  if (!here || unkept.test(hash)) return;
  const found = [...page.querySelectorAll(boxes)].filter((n) => keepable(n) && Object.hasOwn(here, keyOf(n)));
  for (const n of found) if (value(n) !== here[keyOf(n)] && offers(n, here[keyOf(n)])) put(n, here[keyOf(n)]);
  const left = found.filter((n) => !untouched(n));
  write({ ...all, pages: { ...all.pages, [pageOf(hash)]: Object.fromEntries(left.map((n) => [keyOf(n), value(n)])) } });
  if (!left.length) return;
  const clear = () => { left.forEach((n) => saved.add(n)); noted(left); return anew(); };
  page.querySelector("h2").after(el("p", { id: "kept" }, `What you typed here and did not save is still there, in ${left.length === 1 ? "1 box" : `${left.length} boxes`}. `, el("button", { type: "button", class: "back", onclick: clear }, "Clear it")));
}

for (const kind of ["input", "change"]) page.addEventListener(kind, (event) => { saved.delete(event.target); if (event.target.matches(boxes)) noted([event.target]); });
