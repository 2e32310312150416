// Orders: the list, one order with all that is known of it, and what planners and stores do on it. The work itself is on the work page.
import { Refused, all, change, get, has, otherwise, owners, send, suiteNow } from "/api.js";
import { ask, engineTitle, pick } from "/asking.js";
import { chip, choice, date, el, field, fold, instant, last, link, notPassed, orderState, plainTimes, table, tick, utc, words } from "/dom.js";
import { numberBox } from "/entry.js";
import { registered } from "/names.js";
import { ordered, paged } from "/paging.js";
import { calledIn, planPanel } from "/plan.js";
import { pressing } from "/press.js";

// packs are the links under which an order's record is taken away.
const packs = (name) => el("p", { class: "take" }, ...(owners().length ? [] : [["Work pack, PDF", "PDF"], ["Work pack, JSON", "JSON"], ["Fallback sheet", "FALLBACK_SHEET"]])
  .flatMap(([title, format]) => [el("a", { href: `/v1/${name}:export?format=${format}`, download: "" }, title), " "]), el("button", { type: "button", class: "back", onclick: () => print() }, "Print"));

// nextStep shows the first open step with its cautions before what to do.
function nextStep(order, steps) {
  const step = steps.find((s) => s.state === "OPEN");
  if (!step || order.state === "RELEASED" || order.state === "VOIDED") return el("p", {}, "No step is open.");
  return el("section", { id: "next" }, el("h3", {}, `Next: ${step.position} ${step.title}`),
    ...(step.cautions || []).map((c) => el("p", { class: "caution" }, el("strong", {}, c.severity + ": "), c.text)),
    el("p", {}, step.instruction || "As approved data say."));
}

// scheduling asks when, where and by whom.
async function scheduling(act, order) {
  const [stations, people] = await Promise.all([all("/v1/stations"), all("/v1/people")]);
  const start = field("plan-start", "Starts, UTC", { type: "datetime-local", value: (order.planStartTime || new Date(suiteNow() + 3600000).toISOString()).slice(0, 16) });
  const station = choice("station", "Where", stations.map((s) => [s.name, s.displayName]), order.station);
  const cold = numberBox("weather.lowest_expected_c", "lowest", "Lowest air temperature expected, °C, from mixing to the end of the drying run; empty takes the station's");
  const by = field("lowest-source", "Where that is from", { maxlength: "200" });
  // weather is what was typed of it: what is no number is refused here, as the service would read it as 0 °C, and a source says nothing without its temperature.
  const weather = () => {
    const degrees = cold.value();
    if (degrees === undefined && by.value()) throw new Refused("Type the temperature that this is the source of, or leave both empty.");
    return degrees === undefined ? {} : { weather: { lowestExpectedC: degrees, source: by.value() } };
  };
  const who = people.map((p) => ({ name: p.name, ...tick("who-" + last(p.name), p.displayName, (order.assignees || []).includes(p.name)) }));
  const why = field("choice-reason", "Only for a wash of another kind than what the engine flew through asks for: why", { maxlength: "400" });
  const body = () => ({ etag: order.etag, planStartTime: utc(start), station: station.value(), assignees: who.filter((w) => w.box.checked).map((w) => w.name), ...(why.value() ? { choiceReason: why.value() } : {}),
    ...weather() });
  const again = order.state !== "DRAFTED";
  return fold(again ? "Plan it anew" : "Schedule it", stations.length ? null : el("p", { class: "caution" }, "No station is known yet, so nothing can be scheduled. ", link("stations", "Add a station")),
    ...start.nodes, ...station.nodes, ...cold.nodes, ...by.nodes, el("fieldset", {}, el("legend", {}, "Who does it"), ...who.map((w) => w.node)), ...why.nodes,
    act(again ? "Plan it so" : "Schedule", async () => {
      const plan = body();
      if (!plan.assignees.length && (order.assignees || []).length) { // to schedule takes nobody off by itself; nobody is, where the rest of the plan is refused
        await send(`/v1/${order.name}:schedule`, { ...plan, validateOnly: true });
        Object.assign(order, await change(order, { assignees: [] }));
      }
      return send(`/v1/${order.name}:schedule`, { ...plan, etag: order.etag });
    }, "The order is scheduled: stores were asked for what it needs, and the wash plan was computed."));
}

// reasoned is a verb that needs a reason.
function reasoned(act, order, verb, title, label, told) {
  const reason = field(verb + "-reason", label, { maxlength: "400" });
  return fold(title, ...reason.nodes, act(title, () => send(`/v1/${order.name}:${verb}`, { etag: order.etag, reason: reason.value() }), told));
}

// undried is the way to leave a missing drying run out, where approved data allow it.
function undried(act, order, plan, limits) {
  if (!limits.dryingRunMissing || order.state !== "STARTED" || !has("planner", "quality")) return null;
  const reason = field("undried-reason", "Why the engine is not dried", { maxlength: "400" }), agreed = field("undried-agreement", "Who answers for the aircraft and agreed, and how", { maxlength: "400" });
  return fold("Leave the drying run out", el("p", { class: "caution" }, "CAUTION: water that stays in an engine corrodes it, and freezes. ",
    plan && plan.dryingOmissionCondition ? `Approved data allow it only so: ${plan.dryingOmissionCondition}` : "The wash data of this model do not say that approved data allow it, so it is taken only when nothing went into the engine."),
  ...reason.nodes, ...agreed.nodes, act("Leave the drying run out", () => send(`/v1/${order.name}:omitDryingRun`, { etag: order.etag, reason: reason.value(), agreement: agreed.value() }), "Recorded; the release will state it."));
}

// verbs are what the person may do on the order here; the service says which are open.
async function verbs(again, order, plan, limits) {
  const act = pressing(again), may = (verb, ...roles) => (order.allowedVerbs || []).includes(verb) && has(...roles);
  const made = [may("schedule", "planner") ? await scheduling(act, order) : null,
    may("kit", "planner", "stores") ? act("The kit is complete", () => send(`/v1/${order.name}:kit`, { etag: order.etag }), "The kit is complete: the work can start.") : null,
    may("resume", "planner", "quality") ? act("Take it off hold", () => send(`/v1/${order.name}:resume`, { etag: order.etag }), "The order goes on.") : null,
    may("hold", "planner", "quality", "technician", "inspector") ? reasoned(act, order, "hold", "Put it on hold", "Why it waits", "The order is on hold.") : null,
    undried(act, order, plan, limits),
    may("void", "planner", "quality") ? reasoned(act, order, "void", "End it without release", "Why", "The order is ended.") : null].filter(Boolean);
  return made.length ? [el("section", { id: "verbs", class: "job" }, el("h3", {}, "What can be done with it"), ...made)] : [];
}

// stands says what the order waits for, and who does that.
const stands = {
  DRAFTED: "It is drafted. A planner schedules it.", SCHEDULED: "It is scheduled. Stores issue what it needs, then the kit is complete.", KITTED: "The kit is complete. A technician starts the work.",
  STARTED: "The work is under way.", FINISHED: "Who did it signed. It waits for the inspection, or where none is needed for the release.", INSPECTED: "It waits for the release.",
  RELEASED: "It is released.", VOIDED: "It was ended without release.",
};

// failing says what an inspection that was not passed has on its list.
export const failing = (order) => (notPassed(order) ? [el("section", { class: "alarm", id: "not-passed" }, el("p", {}, `■ THE INSPECTION WAS NOT PASSED. On the list of ${date(order.discrepancyListDate)} that the owner or operator is given:`),
  el("ul", {}, ...(order.discrepancies || []).map((d) => el("li", {}, d))), el("p", {}, "It is no release to service. Who answers for the aircraft decides, by the approved data."))] : []);

// begun says that something can have been done that differs from the plan.
const begun = (order) => !["DRAFTED", "SCHEDULED", "KITTED"].includes(order.state);

// facts are what an order is, in two columns.
const facts = (order, people, { plane, station }) => [["Engine", link("engine/" + last(order.engine), order.engineSerial)], ["Aircraft", order.aircraft ? `${plane}${order.enginePosition ? ", " + order.enginePosition : ""}` : "none: work in the shop"], ["Why", (order.origin && (order.origin.reasons || []).join("; ")) || "by hand"],
  ["Planned", instant(order.planStartTime)], ["Where", station || "–"], ["Who", (order.assignees || []).map((p) => people[p] || last(p)).join(", ") || "nobody yet"],
  ["Drafted", order.agentDrafted ? "by a program, and not yet scheduled by a person" : instant(order.createTime)], ...(order.remarks ? [["Remarks", order.remarks]] : []),
  ...(order.dryingOmission ? [["Drying run", `left out: ${order.dryingOmission.reason}; ${order.dryingOmission.agreement}; ${order.dryingOmission.condition || "nothing had gone into the engine"}`]] : []),
  ...(order.voidReason ? [["Ended because", order.voidReason]] : []), ...(order.releaseStatement ? [["Release", order.releaseStatement]] : [])];

// signed are the signatures; one that a step or the order was opened again after counts no more, and says so on paper too.
const signed = (list, people) => table("Signatures", ["For", "Who", "At", "Counts", "Hash of what was signed"],
  list.map((s) => [s.meaning, people[s.person] || last(s.person), instant(s.signTime), s.voidTime ? `✕ no more, since ${instant(s.voidTime)}: it was opened again` : "yes", el("code", {}, s.contentHash)]), "Nothing is signed yet.");

export async function orderPage(again, id) {
  const name = "workOrders/" + encodeURIComponent(id);
  const [order, steps, compared, signatures, people, plan, limits] = await Promise.all([get("/v1/" + name), all(`/v1/${name}/steps`), otherwise(get(`/v1/${name}:compare?showAll=true`), null), otherwise(all(`/v1/${name}/signatures`), []),
    otherwise(all("/v1/people"), []), otherwise(get(`/v1/${name}/washPlan`), null), has("planner", "quality") ? get(`/v1/${name}/motoringLimits`).catch((e) => { if (e instanceof Refused) return {}; throw e; }) : {}]);
  const called = Object.fromEntries(people.map((p) => [p.name, p.displayName]));
  const done = steps.map((s) => [String(s.position), s.title, s.state + ((s.earlier || []).length ? ", opened again before" : ""), called[s.performer] || last(s.performer) || "–", instant(s.completeTime)]);
  const named = (text) => plainTimes(text).replace(/people\/[a-z0-9-]+/g, (name) => called[name] || name);
  const lines = ((compared || {}).comparisons || []).map((c) => [c.label, named(c.plannedText), named(c.doneText), c.differs ? chip("DIFFERS") : "as planned", plainTimes(c.toleranceText) || "–"]);
  const [at, plane] = await Promise.all([order.station ? otherwise(get("/v1/" + order.station), null) : null, registered()]), places = { plane: plane(order.aircraft), station: at ? at.displayName : last(order.station) };
  const newest = signatures.findLast((s) => !s.voidTime);
  return [el("h2", { "data-document": "Order " + order.number, "data-hash": newest ? newest.contentHash : "" }, `Order ${order.number}`),
    el("p", {}, orderState(order), ` ${order.displayName}, engine ${order.engineSerial}`, order.hold ? `. On hold: ${order.hold.reason}` : ""), ...failing(order), el("p", {}, stands[order.state] || ""),
    owners().length ? null : el("p", { class: "take" }, link("work/" + id, has("technician", "inspector", "releaser") ? "Do the work" : "Look at the work"), " ", has("stores") ? link("issue/" + id, "Issue stock") : null, " ", has("technician", "stores") ? link("mix/" + id, "Mix for it") : null), ...await verbs(again, order, plan, limits), nextStep(order, steps), ...planPanel(plan, await calledIn(plan)), packs(name),
    table("The order", ["What", "As recorded"], facts(order, called, places), ""),
    !compared ? el("p", {}, "The plan beside what was done is not open to your account. Ask the shop for the work pack, which has it.")
      : begun(order) ? table("Plan and what was done", ["What", "Planned", "Done", "Verdict", "Tolerance"], lines, "Nothing was done yet that a plan could be compared with.")
      : table("The plan", ["What", "Planned", "Tolerance"], lines.map(([what, planned, , , tolerance]) => [what, planned, tolerance]), "No plan was computed yet: scheduling does that."),
    table("Steps", ["Step", "What", "State", "By", "At"], done, "The card has no steps."), signed(signatures, called)].filter(Boolean);
}

// drafting asks for an engine and a card, and leads to the order that is made.
async function drafting() {
  if (!has("planner", "technician")) return [];
  const [engines, cards, regimes, plane] = await Promise.all([all("/v1/engines"), all("/v1/taskCards"), otherwise(all("/v1/regimes"), []), registered()]);
  if (!engines.length || !cards.length) return [el("p", { class: "caution" }, "An order needs an engine and a task card, and not both are known yet.")];
  const engine = choice("draft-engine", "Engine", engines.map((e) => [e.name, engineTitle(e, plane)])), card = choice("draft-card", "Task card", cards.map((c) => [c.name, c.displayName]));
  const rules = choice("draft-regime", "Whose rules its record follows", [["", "the general ones"], ...regimes.filter((r) => r.name !== "regimes/general").map((r) => [r.name, r.displayName])]);
  const act = pressing(() => {});
  return [fold("Draft an order", ...engine.nodes, ...card.nodes, ...rules.nodes, act("Draft it", async () => {
    const made = await send("/v1/workOrders", { engine: engine.value(), taskCard: card.value(), ...(rules.value() ? { regime: rules.value() } : {}) });
    location.hash = "#/order/" + last(made.name);
  }, ""))];
}

const states = ["DRAFTED", "SCHEDULED", "KITTED", "STARTED", "FINISHED", "INSPECTED", "RELEASED", "VOIDED"];

// wanted is the filter that the address asks for.
const wanted = (asked) => [asked.get("state") && `state = ${asked.get("state")}`, asked.get("engine") && `engine = ${JSON.stringify(asked.get("engine"))}`].filter(Boolean).join(" AND ");

export async function ordersPage(asked) {
  const [list, draft, engines, plane] = await Promise.all([paged(ordered("/v1/workOrders", wanted(asked)), asked), drafting(), otherwise(all("/v1/engines"), []), registered()]);
  const rows = list.rows.map((o) => [link("order/" + last(o.name), o.number), o.displayName, o.engineSerial, orderState(o), o.hold ? "on hold: " + o.hold.reason : "–", instant(o.planStartTime),
    (o.origin && o.origin.reasons.join("; ")) || "by hand"]);
  const choose = ask("orders", "Show", pick("state", "State", [["", "all"], ...states.map((s) => [s, words(s)])], asked), pick("engine", "Engine", [["", "all"], ...engines.map((e) => [e.name, engineTitle(e, plane)])], asked));
  return [el("h2", {}, "Orders"), ...draft, choose, table(`Work orders, newest first: ${list.at}`, ["Number", "Work", "Engine", "State", "Hold", "Planned", "Why"], rows, wanted(asked) ? "No order is so." : "No order yet. Advice and due items draft them."), list.ways].filter(Boolean);
}
