// Forms in which things are entered. What the service refuses of a field stands at that field, in the service's words; the first such field has the keys.
import { Refused } from "/api.js";
import { busy, changing } from "/busy.js";
import { choice, dayOf, decimal, el, field, tick } from "/dom.js";

// asked makes a box one of a form: path is the field of the API that it fills, hint what helps to fill it.
function asked(path, made, hint) {
  const no = el("p", { class: "refusal", id: made.box.id + "-no" }), help = hint ? el("p", { class: "hint", id: made.box.id + "-hint" }, hint) : null;
  made.box.setAttribute("aria-describedby", [help && help.id, no.id].filter(Boolean).join(" "));
  return { path, no, box: made.box, value: made.value, nodes: [...(made.nodes || [made.node]).slice(0, -1), help, (made.nodes || [made.node]).at(-1), no].filter(Boolean) };
}

export const textBox = (path, id, label, { hint, ...more } = {}) => asked(path, field(id, label, more), hint);
export const pickBox = (path, id, label, options, chosen, hint) => asked(path, choice(id, label, options, chosen), hint);
export function dayBox(path, id, label, date, hint) {
  const value = date && date.year ? [String(date.year).padStart(4, "0"), String(date.month).padStart(2, "0"), String(date.day).padStart(2, "0")].join("-") : undefined;
  const made = asked(path, field(id, label, { type: "date", value }), hint), text = made.value;
  return { ...made, value: () => (text() ? dayOf(text()) : undefined) };
}
export function tickBox(path, id, label, ticked) {
  const made = tick(id, label, ticked);
  return asked(path, { ...made, value: () => made.box.checked });
}

// numberBox gives a number, none for an empty box. What is no number is refused here, at its field, as nothing the service could read is left of it.
export function numberBox(path, id, label, value, { hint, ...more } = {}) {
  const made = asked(path, field(id, label, { inputmode: "decimal", value: value === undefined || value === null ? undefined : String(value), ...more }), hint), text = made.value;
  return { ...made, value: () => {
    if (!text()) return undefined;
    const n = Number(decimal(text()).replace("−", "-"));
    if (Number.isNaN(n) || text().includes(",") && decimal(text()).includes(",")) {
      throw wrong(path, `“${text()}” is no number, or may be two. Type it with a point, such as 12.5.`);
    }
    return n;
  } };
}

// wrong refuses what was typed into a field before it is sent.
export const wrong = (field, description) => Object.assign(new Refused(description), { violations: [{ field, description }] });

// plain is a sentence of the service without the name of the field that it stands at.
const plain = (v) => (v.description || "").replace(`${v.field}: `, "").replace(/ Correct it and send the request again\.$/, "");

// tell puts each refusal to its field, and gives what belongs to none of them.
function tell(boxes, violations) {
  const rest = [];
  for (const v of violations) {
    const at = boxes.find((b) => b.path === v.field) || boxes.find((b) => b.path && (v.field.startsWith(b.path + ".") || v.field.startsWith(b.path + "[")));
    if (!at) { rest.push(v.description); continue; }
    at.no.textContent = "✕ " + plain(v);
    at.box.setAttribute("aria-invalid", "true");
    for (let shut = at.box.closest("details"); shut; shut = shut.parentElement.closest("details")) shut.open = true;
  }
  return rest;
}

// entering is a form: boxes may be of the form or plain nodes between them; save sends it and gives what is said on the page that follows.
export function entering(id, title, parts, save, again) {
  const said = el("p", { class: "refusal", role: "alert" }), boxes = () => parts.flatMap((p) => (p.boxes ? p.boxes() : p.path ? [p] : []));
  async function submitted(event) {
    event.preventDefault();
    if (busy()) return;
    said.textContent = "";
    for (const b of boxes()) { b.no.textContent = ""; b.box.removeAttribute("aria-invalid"); }
    await changing(title, save, again, (e) => {
      const rest = tell(boxes(), e.violations || []), first = boxes().find((b) => b.no.textContent);
      said.textContent = "✕ " + (first ? ["Not saved: see what is said at the fields.", ...rest].join(" ") : e.message);
      if (first) first.box.focus();
    }, event.target);
  }
  return el("form", { id, novalidate: "", onsubmit: submitted, class: "entry" }, ...parts.flatMap((p) => p.nodes || [p]), el("div", { class: "press" }, el("button", { class: "large" }, title), said));
}
// filled are the values that are there: what is left empty is not sent.
export const filled = (values) => Object.fromEntries(Object.entries(values).filter(([, v]) => v !== undefined && v !== "" && !(Array.isArray(v) && v.length === 0)));
// lines are the entries of a box with one a line.
export const lines = (text) => text.split("\n").map((l) => l.trim()).filter(Boolean);
// idOf makes an id of what people call a thing; the service refuses one that is taken.
export const idOf = (text) => text.toLowerCase().normalize("NFKD").replace(/[^a-z0-9]+/g, "-").replace(/^-+|-+$/g, "").slice(0, 60);
