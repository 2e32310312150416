// Setting up: what a shop needs before its first job, in the order in which one thing needs the other, and what is still missing.
import { all, current, get, has, otherwise } from "/api.js";
import { el, last, link } from "/dom.js";

const quiet = (path, fallback = []) => otherwise(all(path), fallback);

// some says whether a list has anything, without reading it to its end.
const some = async (path, field) => { const found = await otherwise(get(path), null); return found ? (found[field] || []).length > 0 : null; };

// read gathers what is there. What this person may not read is not known, and not said to be missing.
async function read() {
  const [stations, aircraft, engines, models, items, cards, people, locations] = await Promise.all([quiet("/v1/stations"), quiet("/v1/aircraft"), quiet("/v1/engines"), quiet("/v1/engineModels"), quiet("/v1/items"), quiet("/v1/taskCards"),
    quiet("/v1/people"), quiet("/v1/locations")]);
  const [lots, requirements, grants, readings] = await Promise.all([some("/v1/lots?pageSize=1", "lots"), some("/v1/requirements?pageSize=1", "requirements"), some("/v1/people/-/authorizations?pageSize=1", "authorizations"), some("/v1/engines/-/readings?pageSize=1", "readings")]);
  return { stations, aircraft, engines, models, items, cards, people, locations, lots, requirements, grants, readings };
}

// steps are what is to be there: done says whether it is, why what it is for, roles who enters it, to where.
const steps = (r) => [
  { title: "A station", done: r.stations.length > 0, lacks: r.stations.filter((s) => !s.powerSource).map((s) => `${s.displayName} does not say what turns the starter there`), why: "Work is scheduled at one, and dates are counted in its zone.", roles: ["planner", "admin"], to: "stations" },
  { title: "An aircraft", done: r.aircraft.length > 0, lacks: [], why: "Hours and cycles flown come from it. A shop that washes engines off wing may leave it out.", roles: ["planner", "quality", "admin"], to: "aircraft", optional: true },
  { title: "A model of engine", done: r.models.length > 0, lacks: r.models.filter((m) => !m.wash).map((m) => `${m.displayName} has no wash data`), why: "Readings are compared with its baseline, and washes planned by its wash data.", roles: ["analyst", "admin"], to: "models" },
  { title: "An engine", done: r.engines.length > 0, lacks: r.engines.filter((e) => !r.models.some((m) => m.name === e.engineModel)).map((e) => `${e.serial} is of a model that is not recorded: ${last(e.engineModel) || "none"}`), why: "Everything follows it by its serial number.", roles: ["planner", "quality", "admin"], to: "engines" },
  { title: "Readings", done: r.readings, lacks: [], why: "Trend and advice need some twenty of each engine; common practice, no source. What is due by days, hours and cycles does not wait for them.", roles: ["analyst", "technician"], to: "import" },
  { title: "Items: cleaner, water, antifreeze", done: r.items.length > 0, lacks: ["CLEANER", "WATER"].filter((k) => r.items.length && !r.items.some((i) => i.kind === k)).map((k) => `no item of the kind ${k}`), why: "A wash plan asks stores for them.", roles: ["stores"], to: "items" },
  { title: "A place in stores, and a first delivery", done: r.lots, lacks: r.locations.length ? [] : ["no place in stores is recorded"], why: "Only what was received and cleared can be issued.", roles: ["stores"], to: r.locations.length ? "receive" : "places" },
  { title: "Task cards of your approved data", done: r.cards.some((c) => !c.sample), lacks: [], why: "The suite's cards are samples: they show how a card is made and stand for no approved data.", roles: ["planner", "quality"], to: "cards" },
  { title: "People and their accounts", done: r.people.length > 1, lacks: [], why: "Who did the work does not inspect it, so it takes two people at least.", roles: ["admin"], to: "accounts" },
  { title: "Their authorizations", done: r.grants, lacks: [], why: "Nobody signs without one. Quality grants them.", roles: ["quality"], to: "people" },
  { title: "Requirements", done: r.requirements, lacks: [], why: "The due list follows from them: inspections, directives, life limits, intervals of washes.", roles: ["planner", "quality"], to: "requirements", optional: true },
];

const state = (s) => (s.done === null ? "◌ not known to you" : s.done ? (s.lacks.length ? "◐ begun" : "○ there") : s.optional ? "◐ may wait" : "▲ missing");
const names = { planner: "a planner", quality: "quality", admin: "an administrator", analyst: "an analyst", technician: "a technician", stores: "stores" };
const who = (roles) => [roles.slice(0, -1).map((r) => names[r]).join(", "), names[roles.at(-1)]].filter(Boolean).join(" or ");

// missing are the steps that the first job still waits for.
export async function missing() {
  return steps(await read()).filter((s) => !s.optional && (s.done === false || s.lacks.length));
}

export async function setupPage() {
  const list = steps(await read()), open = list.filter((s) => !s.optional && (s.done === false || s.lacks.length)), next = open.find((s) => has(...s.roles));
  return [el("h2", {}, "Setting up"), el("p", {}, open.length ? `${open.length} of ${list.length} things ${open.length === 1 ? "is" : "are"} still needed before the first job. ` : "Everything that a first job needs is there. ",
    next ? link(next.to, `Next for you: ${next.title}`) : open.length ? `Nothing of it is for you, ${current().displayName}: who enters what stands below.` : link("orders", "Draft an order")),
  el("ol", { class: "steps" }, ...list.map((s) => el("li", {}, el("h3", {}, link(s.to, s.title), " ", el("span", { class: "chip " + (s.done === null ? "none" : s.done && !s.lacks.length ? "good" : s.optional || s.done ? "look" : "bad") }, state(s))),
    el("p", {}, s.why, ` Entered by ${who(s.roles)}.`), s.lacks.length ? el("ul", {}, ...s.lacks.slice(0, 5).map((l) => el("li", {}, l)), s.lacks.length > 5 ? el("li", {}, `and ${s.lacks.length - 5} more`) : null) : null))),
  el("p", {}, "Fleets and stock that are in tables already are imported whole: ", el("a", { href: "/reference" }, "the API's page"), " says how, under imports.")];
}
