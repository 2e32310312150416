// What pages are made of. Text from the API is set as text, never as markup.

export function el(tag, attributes = {}, ...children) {
  const node = document.createElement(tag);
  for (const [name, value] of Object.entries(attributes)) {
    if (name.startsWith("on")) node.addEventListener(name.slice(2), value);
    else if (value !== undefined) node.setAttribute(name, value);
  }
  node.append(...children.filter((c) => c !== undefined && c !== null));
  return node;
}

export const link = (name, text, attributes = {}) => el("a", { href: "#/" + name, ...attributes }, text);
export const date = (d) => (d && d.year ? [String(d.year).padStart(4, "0"), ...[d.month, d.day].map((n) => String(n).padStart(2, "0"))].join("-") : "–");
export const instant = (t) => (t ? t.slice(0, 16).replace("T", " ") + "Z" : "–");
// second is an instant to the second.
export const second = (t) => (t ? t.slice(0, 19).replace("T", " ") + "Z" : "–");
// unitText is a unit as it stands on an instrument; the API has the codes of UCUM.
const units = { Cel: "°C", "[degF]": "°F", "[psi]": "psi", "[gal_us]": "US gal", "[gal_us]/min": "US gal/min", "[qt_us]": "US qt", "[ft_i]": "ft", "[lb_av]": "lb", "[HP]": "hp", "[ft_i].[lbf_av]": "ft·lbf", "N.m": "N·m", "{each}": "pieces" };
export const unitText = (code) => units[code] || code;
export const amount = (q) => (q ? `${q.value} ${unitText(q.unitCode)}` + (q.converted && q.converted.unitCode !== q.unitCode ? ` (${q.converted.displayText})` : "") : "–");
// plainTimes says the instants and the lengths of time of a text as all others are said: 2m42s is 2 min 42 s.
const length = (_, h, m, s) => [Number(h) && `${h} h`, Number(m) && `${m} min`, Number(s) && `${s} s`].filter(Boolean).join(" ") || "0 s";
export const plainTimes = (text) => (text || "").replace(/(\d{4}-\d\d-\d\d)T(\d\d:\d\d)(:\d\d(\.\d+)?)?Z/g, "$1 $2Z").replace(/\b(?:(\d+)h)?(?:(\d+)m)?(\d+(?:\.\d+)?)s\b/g, length);
export const last = (name) => (name || "").split("/").pop();
export const words = (text) => String(text || "").replaceAll("_", " ");
// decimal has a point for a typed comma, but where the comma could group thousands: that is left for the service to refuse.
export const decimal = (text) => (/^[+-]?[1-9]\d{0,2},\d{3}$/.test(text) ? text : text.replace(",", "."));
// utc is the instant that a box for times says, in UTC; none for an empty one.
export const utc = (f) => (f.value() ? new Date(f.value() + "Z").toISOString() : undefined);
export const minutes = (seconds) => `${Math.floor(seconds / 60)} min ${String(seconds % 60).padStart(2, "0")} s`;
// dayOf is a day of the calendar as the API takes it, of what a box for days gives.
export const dayOf = (text) => { const [year, month, day] = text.split("-").map(Number); return { year, month, day }; };

// A status is a shape, a word and a colour.
const looks = {
  CURRENT: ["good", "○"], NEAR: ["look", "◐"], DUE: ["look", "▲"], IN_TOLERANCE: ["look", "◆"], OVERDUE: ["bad", "■"], EXEMPT: ["none", "–"], NO_DATA: ["none", "◌"],
  STEADY: ["good", "○"], WATCH: ["look", "◐"], PLAN: ["look", "▲"], ACT: ["bad", "■"],
  USABLE: ["good", "○"], HELD: ["look", "◐"], EMPTIED: ["none", "–"], EXPIRED: ["bad", "■"], RECALLED: ["bad", "■"], DISPOSED: ["none", "–"],
  RELEASED: ["good", "○"], INSPECTION_NOT_PASSED: ["bad", "■"], VOIDED: ["none", "–"], DIFFERS: ["look", "▲"],
  RECOVERED: ["good", "○"], NOT_RECOVERED: ["bad", "■"], CANNOT_TELL: ["none", "◌"],
  ACTIVE: ["good", "○"], INVITED: ["look", "◐"], LOCKED: ["bad", "■"], DISABLED: ["none", "–"],
  WITHDRAWN: ["none", "–"], IN_FORCE: ["good", "○"], NOT_YET: ["look", "◐"], LAPSED: ["bad", "■"], SUSPENDED: ["bad", "■"],
  PARKED: ["look", "◐"], APPLIED: ["good", "○"], DISCARDED: ["none", "–"],
  WAITING: ["look", "◐"], REFUSED: ["bad", "■"],
};
export function chip(word) {
  const plain = String(word || "NO_DATA").replace("CONDITION_LEVEL_", "");
  const [kind, shape] = looks[plain] || ["info", "◆"];
  return el("span", { class: "chip " + kind }, `${shape} ${words(plain)}`);
}

// notPassed says that an order was released as an inspection that was not passed.
export const notPassed = (order) => order.inspectionResult === "INSPECTION_RESULT_NOT_AIRWORTHY";
// orderState is where an order stands. One whose inspection was not passed never looks like one that is all right.
export const orderState = (order) => chip(notPassed(order) ? "INSPECTION_NOT_PASSED" : order.state);

// What is never broken at the end of a line: a code, a serial number, a date, an instant. What stands at the right of its column: amounts, with their units.
const whole = /^([^\s]{1,16}|\d{4}-\d\d-\d\d \d\d:\d\d(:\d\d)?Z)$/, numeric = /^(–|[+−-]?[\d.,]+( (L|mL|kg|g|m|h|min|s|%|°C|kPa|days))?)$/;

// table shows rows, columns of amounts to the right; a telephone shows each as a card under its first cell, and rows of two as a name and what it is.
export function table(caption, heads, rows, empty) {
  if (rows.length === 0) return el("p", {}, empty);
  const kinds = heads.map((_, i) => (i > 0 && rows.every((r) => numeric.test(r[i] ?? "–")) && rows.some((r) => /\d/.test(r[i])) ? "number" : ""));
  const head = el("tr", {}, ...heads.map((h, i) => el("th", { scope: "col", "data-head": h, class: kinds[i] || undefined }, h)));
  const body = rows.map((cells) => el("tr", {}, ...cells.map((c, i) => el("td", { "data-head": heads[i], class: kinds[i] || (whole.test(c instanceof Node ? c.textContent : c) ? "date" : undefined) }, c ?? "–"))));
  return el("div", { class: "scroll" }, el("table", { class: heads.length === 2 ? "pairs" : heads.length > 4 ? "broad" : undefined }, el("caption", {}, caption), el("thead", {}, head), el("tbody", {}, ...body)));
}

// field is a box with its label above.
export function field(id, label, attributes = {}) {
  const box = el(attributes.rows ? "textarea" : "input", { id, autocomplete: "off", ...attributes });
  if (attributes.rows && attributes.value) box.value = attributes.value;
  return { box, nodes: [el("label", { for: id }, label), box], value: () => box.value.trim() };
}

// tick is a box to tick, with a label that can be pressed as well.
export function tick(id, label, ticked) {
  const box = el("input", { id, type: "checkbox", checked: ticked ? "" : undefined });
  return { box, node: el("label", { class: "tick", for: id }, box, " " + label) };
}

// choice is a list to choose one of.
export function choice(id, label, options, chosen) {
  const box = el("select", { id, name: id }, ...options.map(([value, text]) => el("option", { value, selected: value === chosen ? "" : undefined }, text)));
  return { box, nodes: [el("label", { for: id }, label), box], value: () => box.value };
}

// fold is what opens under its title.
export const fold = (title, ...children) => el("details", {}, el("summary", {}, title), ...children.filter(Boolean));

// hazards says what a thing can do to people, before anything is done with it.
export function hazards(item) {
  const said = [...(item.pictograms || []), ...(item.hazardStatements || [])];
  return said.length ? el("p", { class: "caution" }, el("strong", {}, item.signalWord === "DANGER" ? "DANGER: " : "CAUTION: "), said.join(" · "))
    : el("p", {}, "No hazard statements are on record. See the safety data sheet.");
}

// codeBox is a box for a scanner, which types and ends with Enter; it has the keys when its page is shown, and takes the next scan at once. A separator arrives as Ctrl+], which
// would type nothing. take is told with each code how to ask whether it is still the last: the answer to an earlier one never stands beside what is in the hand now.
export function codeBox(title, take) {
  const box = el("input", { id: "scan", "data-focus": "", autocomplete: "off", spellcheck: "false", onkeydown: (event) => {
    if (!(event.ctrlKey && event.key === "]")) return;
    event.preventDefault();
    box.setRangeText("\x1d", box.selectionStart, box.selectionEnd, "end");
  } });
  let scans = 0;
  const entered = (event) => {
    event.preventDefault();
    const code = box.value.trim(), mine = ++scans;
    box.value = "";
    take(code, () => mine === scans);
  };
  return el("form", { onsubmit: entered }, el("label", { for: "scan" }, title), box);
}

// label is the link under which a lot's label is drawn; its QR leads to this console.
export const label = (lot) => el("a", { href: `/v1/${lot.name}:renderLabel?linkBase=${encodeURIComponent(location.origin)}`, download: "" }, "Label");
