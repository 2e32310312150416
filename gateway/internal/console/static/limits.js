// The limits of a requirement: how they are typed, and what they mean in words. Words and boxes go by the same tree, so that what is read is what is sent.
import { dayOf, date, el } from "/dom.js";
import { numberBox, pickBox, tickBox, wrong } from "/entry.js";

const units = [["HOURS", "hours of operation"], ["CYCLES", "cycles"], ["STARTS", "starts"], ["DAYS", "days"], ["MONTHS", "months, to the same day"], ["CALENDAR_MONTHS_END", "calendar months, to the month's end"], ["FIXED_DATE", "on a date"]];
const counted = ["HOURS", "CYCLES", "STARTS"];
const several = (n, one, many) => `${n} ${Number(n) === 1 ? one : many}`;
// hoursText is an amount of seconds in hours, with as many digits as it takes.
export const hoursText = (seconds) => `${Number((Number(seconds) / 3600).toFixed(4))} h`;

// limitWords says one limit: 600 h; 20,000 cycles since new; the end of the 12th month.
function limitWords(l) {
  const n = l.amount, from = l.absolute && counted.includes(l.unit) ? " since new" : "";
  return { HOURS: () => hoursText(n) + from, CYCLES: () => several(n, "cycle", "cycles") + from, STARTS: () => several(n, "start", "starts") + from, DAYS: () => several(n, "day", "days"), MONTHS: () => several(n, "month", "months") + " to the same day",
    CALENDAR_MONTHS_END: () => several(n, "calendar month", "calendar months") + " to the month's end", FIXED_DATE: () => "on " + date(l.fixedDate) }[l.unit]();
}

export const isEmpty = (t) => !t || !((t.limits || []).length || (t.trees || []).some((s) => !isEmpty(s)));

// treeWords says limits and how they combine; "" for none.
export function treeWords(t) {
  if (isEmpty(t)) return "";
  const parts = [...(t.limits || []).map(limitWords), ...(t.trees || []).filter((s) => !isEmpty(s)).map((s) => (parted(s) ? `(${treeWords(s)})` : treeWords(s)))];
  return parts.length === 1 ? parts[0] : parts.join(t.combine === "LATER" ? " and " : " or ") + (t.combine === "LATER" ? ", whichever comes last" : ", whichever comes first");
}
const parted = (t) => (t.limits || []).length + (t.trees || []).length > 1;

// row is one limit of a tree.
function row(id, path, l, drop) {
  const unit = pickBox(path + ".unit", id + "-unit", "Counted in", units, l.unit || "HOURS");
  const value = l.amount === undefined ? undefined : l.unit === "HOURS" ? Number((Number(l.amount) / 3600).toFixed(4)) : l.amount, amount = numberBox(path + ".amount", id + "-amount", "How many", value);
  const on = l.fixedDate && l.fixedDate.year ? date(l.fixedDate) : undefined, day = el("input", { id: id + "-day", type: "date", value: on, autocomplete: "off" }), since = tickBox(path + ".absolute", id + "-since", "Since new, not since the last time", l.absolute);
  const dayPlace = el("div", {}, el("label", { for: id + "-day" }, "Date"), day), amountPlace = el("div", {}, ...amount.nodes), sincePlace = el("div", {}, ...since.nodes);
  function fits() {
    dayPlace.hidden = unit.value() !== "FIXED_DATE";
    amountPlace.hidden = !dayPlace.hidden;
    sincePlace.hidden = !counted.includes(unit.value());
  }
  unit.box.addEventListener("change", fits);
  fits();
  function read() {
    if (unit.value() === "FIXED_DATE") {
      if (!day.value) throw wrong(path + ".unit", "Give the date.");
      return { unit: "FIXED_DATE", fixedDate: dayOf(day.value) };
    }
    const n = amount.value();
    if (n === undefined) return null;
    if (!(n > 0)) throw wrong(path + ".amount", "Give more than zero.");
    if (unit.value() !== "HOURS" && !Number.isInteger(n)) throw wrong(path + ".amount", "Give a whole number: only hours have parts.");
    return { unit: unit.value(), amount: String(unit.value() === "HOURS" ? Math.round(n * 3600) : n), ...(counted.includes(unit.value()) && since.value() ? { absolute: true } : {}) };
  }
  return { boxes: () => [amount, unit, since], read, node: el("div", { class: "limit" }, amountPlace, el("div", {}, ...unit.nodes), dayPlace, sincePlace, el("button", { type: "button", class: "back", onclick: drop, "aria-label": "Take this limit out" }, "Take out")) };
}

// treeForm are the boxes of limits and of groups of them, at most four deep; changed is called when one came or went.
export function treeForm(id, path, t, { legend, hint, depth = 0, drop, changed }) {
  const rows = [], groups = [], place = el("div", {}), combine = pickBox(path, id + "-combine", "Due when", [["FIRST", "the first of them is reached"], ["LATER", "the last of them is reached"]], t.combine === "LATER" ? "LATER" : "FIRST");
  let drawn = 0;
  const combinePlace = el("div", {}, ...combine.nodes);
  const fits = () => { combinePlace.hidden = rows.length + groups.length < 2 && combine.no.textContent === ""; changed(); };
  const out = (list, made) => () => { list.splice(list.indexOf(made()), 1); made().node.remove(); fits(); };
  const added = (list, made) => { list.push(made); place.append(made.node); fits(); return made; };
  function limit(l) {
    const n = drawn++;
    let made = null;
    made = row(`${id}-${n}`, `${path}.limits[${n}]`, l, out(rows, () => made));
    return added(rows, made);
  }
  function group(s) {
    const n = drawn++;
    let made = null;
    made = treeForm(`${id}-${n}`, `${path}.trees[${n}]`, s, { legend: "A group of limits within them", depth: depth + 1, drop: out(groups, () => made), changed });
    return added(groups, made);
  }
  (t.limits || []).forEach(limit);
  (t.trees || []).forEach(group);
  if (!rows.length && !groups.length) limit({});
  const button = (title, act) => el("button", { type: "button", class: "back", onclick: act }, title);
  fits();
  return { boxes: () => [combine, ...rows.flatMap((r) => r.boxes()), ...groups.flatMap((g) => g.boxes())],
    read: () => ({ combine: combine.value(), limits: rows.map((r) => r.read()).filter(Boolean), trees: groups.map((g) => g.read()).filter((s) => !isEmpty(s)) }),
    node: el("fieldset", { id }, el("legend", {}, legend), hint ? el("p", { class: "hint" }, hint) : "", combinePlace, place, el("div", { class: "row" }, button("Another limit", () => limit({}).boxes()[0].box.focus()),
      depth < 3 ? button("A group of limits", () => group({}).boxes()[1].box.focus()) : "", drop ? button("Take the group out", drop) : "")) };
}
