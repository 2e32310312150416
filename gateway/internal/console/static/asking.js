// Forms whose answers stand in the page's address, so that a page can be kept, sent and printed.
import { all } from "/api.js";
import { choice, el, field, last } from "/dom.js";

// pick is a list to choose from, on what the address says.
export function pick(name, title, options, asked, required) {
  const made = choice(name, title, options, asked.get(name));
  if (required) made.box.setAttribute("required", "");
  return made.nodes;
}

// text is a box with what the address says.
export const text = (name, title, value, more = {}) => field(name, title, { name, value: value || undefined, ...more }).nodes;

// ask is the form.
export const ask = (page, button, ...fields) => el("form", { class: "ask", onsubmit: (event) => {
  event.preventDefault();
  location.hash = `#/${page}?${new URLSearchParams([...new FormData(event.target)].filter(([, v]) => v))}`;
} }, ...fields.map((f) => el("div", {}, ...f)), el("button", {}, button));

// engineTitle is what people call an engine: its serial number and where it is fitted.
export const engineTitle = (e, plane = last) => `Engine ${e.serial}${e.aircraft ? ` (${plane(e.aircraft)}${e.position ? ", " + e.position : ""})` : ""}`;

// subjects are the engines and aircraft that can be asked about, as people call them.
export async function subjects() {
  const [engines, aircraft] = await Promise.all([all("/v1/engines"), all("/v1/aircraft")]);
  const plane = (name) => (aircraft.find((a) => a.name === name) || {}).registration || last(name);
  return [...engines.map((e) => [e.name, engineTitle(e, plane)]), ...aircraft.map((a) => [a.name, `Aircraft ${a.registration || last(a.name)}`])];
}

// subject chooses one of them. One that stands in the address and is not among them stays to be asked about.
export function subject(title, on, asked, required) {
  const chosen = asked.get("subject"), more = chosen && !on.some(([name]) => name === chosen) ? [[chosen, chosen]] : [];
  return pick("subject", title, [["", required ? "Choose one" : "all"], ...on, ...more], asked, required);
}
