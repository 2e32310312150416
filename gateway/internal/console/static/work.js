// The work page: a technician does an order here, step after step, and who inspects and who releases sign here. Every button is a call of
// the public API, which decides. Without a connection the order is shown as it was last read, entries wait on this device, and nothing can be signed.
import { Refused, all, change, current, get, has, otherwise, send, suiteNow } from "/api.js";
import { runs } from "/corrections.js";
import { chip, el, field, fold, instant, last, link, orderState, plainTimes, table, tick, unitText } from "/dom.js";
import { entering, filled, numberBox, textBox, wrong } from "/entry.js";
import { findings } from "/found.js";
import { keepSeen, seenKey, seenOnce } from "/keep.js";
import { labour } from "/labour.js";
import { drying } from "/motoring.js";
import { failing } from "/order.js";
import { overlaid } from "/overlay.js";
import { calledIn, planPanel } from "/plan.js";
import { pressing } from "/press.js";
import { signing } from "/sign.js";
import { stepPanel } from "/step.js";
import { arrivals, mine } from "/waiting.js";

// read gathers what the page shows of an order.
async function read(name) {
  const of = (what) => all(`/v1/${name}/${what}`);
  const [order, steps, measurements, found, runs, worked, tools, plan, limits] = await Promise.all([get("/v1/" + name), of("steps"), of("measurements"), of("findings"), of("motoringRuns"),
    of("labourEntries"), otherwise(all("/v1/tools"), []), otherwise(get(`/v1/${name}/washPlan`), null),
    get(`/v1/${name}/motoringLimits`).catch((e) => ({ none: e instanceof Refused && !e.unsent ? e.message : "No limits were read." }))]);
  return { order, steps, measurements, findings: found, runs, labour: worked, tools, plan, limits, people: await peopleOf(), ...await placesOf(order), called: await calledIn(plan) };
}

// peopleOf are the names of people, for whoever may read them.
async function peopleOf() {
  const people = await otherwise(all("/v1/people"), []);
  return Object.fromEntries(people.map((p) => [p.name, p.displayName]));
}

// placesOf are what people call the aircraft and the station of an order.
async function placesOf(order) {
  const [plane, station] = await Promise.all([order.aircraft, order.station].map((name) => (name ? otherwise(get("/v1/" + name), null) : null)));
  return { plane: (plane && plane.registration) || last(order.aircraft), station: (station && station.displayName) || last(order.station) };
}

// asRead is the order as the suite has it, or as this device last read it.
async function asRead(name) {
  const key = seenKey(current().account, name), before = arrivals();
  try {
    const world = await read(name);
    if (arrivals() !== before) return asRead(name);
    await keepSeen(key, world, suiteNow());
    return { ...world, read: suiteNow(), fresh: true };
  } catch (e) {
    const seen = e instanceof Refused && e.unsent && await seenOnce(key);
    if (seen) return { ...seen.value, read: seen.time, fresh: false };
    throw e.unsent ? Object.assign(new Refused("No connection, and this order was not opened on this device before. Work by the fallback sheet."), { unsent: true }) : e;
  }
}

// waits says that a step has something left to do: itself, or its signature.
const waits = (step) => step.state === "OPEN" || (step.state === "DONE" && step.signatureRequired && !step.signature && !step.waiting);

// offline is the banner that stands while there is no connection.
function offline(world) {
  const age = Math.max(0, Math.round((suiteNow() - world.read) / 60000));
  const banner = el("p", { id: "offline", class: "stop", role: "alert" },
    `■ No connection. The order is shown as it was read ${age} min ago. Readings and steps are kept on this device and sent later; signatures, findings and stock need the connection.`);
  const look = () => {
    banner.hidden = navigator.onLine && world.fresh;
    if (!banner.isConnected && banner.dataset.shown) ["online", "offline"].forEach((e) => removeEventListener(e, look));
  };
  ["online", "offline"].forEach((e) => addEventListener(e, look));
  look();
  setTimeout(() => { banner.dataset.shown = "yes"; });
  return banner;
}

// list names every step with its state; each can be looked at.
function list(kit, world, at) {
  const order = last(world.order.name);
  return el("details", { id: "steps" }, el("summary", {}, `All ${world.steps.length} steps`), el("ol", {}, ...world.steps.map((s) =>
    el("li", s === at ? { "aria-current": "step" } : {}, link(`work/${order}/${last(s.name)}`, s.title), " ", chip(s.waiting ? "WAITING" : s.state), s.signature ? " signed" : "",
      s.performer ? ` ${kit.who(s.performer)}, ${instant(s.completeTime)}` : ""))));
}

// inWords puts what people call them for the names of findings, of the order and of people in a sentence.
const inWords = (world) => (text) => [...world.findings.map((f) => [f.name, `the finding “${f.description}”`]), [world.order.name, "order " + world.order.number], ...Object.entries(world.people)]
  .reduce((said, [name, called]) => said.replaceAll(name, called), text);

// held is an order on hold: why, and the way on. A finding that stopped it is answered first.
function held(act, { order, findings: found }) {
  if (found.some((f) => f.stopWork && f.state === "RAISED")) return [el("p", { class: "stop" }, `■ ON HOLD: ${order.hold.reason}`), el("p", {}, "The work goes on once the finding that stopped it is answered, below.")];
  return [el("p", { class: "stop" }, `■ ON HOLD: ${order.hold.reason}`),
    has("technician", "inspector", "planner", "quality") && act("Go on with the work", () => send(`/v1/${order.name}:resume`, { etag: order.etag }), "The order goes on.")].filter(Boolean);
}

// differences is what whoever signs after the work looks at first: what departed from the plan, steps that were done again, and readings outside limits or corrected.
async function differences(kit, world) {
  const compared = await get(`/v1/${world.order.name}:compare`);
  const lines = (compared.comparisons || []).filter((c) => c.differs).map((c) => [c.label, plainTimes(c.plannedText), plainTimes(c.doneText), plainTimes(c.toleranceText) || "–"]);
  const odd = world.measurements.filter((m) => !m.successor && (!m.limitsMet || m.supersedes)).map((m) => [m.key, `${m.entered.text} ${unitText(m.entered.unitCode)}`,
    m.limitsMet ? "within limits" : "■ OUTSIDE LIMITS", m.reason || "–"]);
  const twice = world.steps.flatMap((s) => (s.earlier || []).map((e) => [`${s.position}. ${s.title}`, `${kit.who(e.reopener)}, ${instant(e.reopenTime)}`, e.reason, link(`work/${last(world.order.name)}/${last(s.name)}`, "What was recorded before")]));
  return [table("What departs from the plan", ["What", "Planned", "Done", "Tolerance"], lines, "Nothing departs from the plan."),
    ...(twice.length ? [table("Steps that were opened again", ["Step", "Opened again by", "Why", "Before"], twice, "")] : []),
    table("Readings outside limits, or corrected", ["Reading", "Value", "Limits", "Reason"], odd, "No reading is outside its limits, and none was corrected.")];
}

// back sends the order back to who did the work, with the steps that are done again.
function back(act, { order, steps }) {
  const reason = field("rework-reason", "Reason", { maxlength: "400" }), anew = steps.map((s) => ({ name: s.name, ...tick("anew-" + last(s.name), `${s.position}. ${s.title}`) }));
  return fold("Send it back", ...reason.nodes, el("fieldset", {}, el("legend", {}, "Steps that are done again"), el("p", {}, "What was recorded on them stays in sight; looks at the work after the first of them are made again too."), ...anew.map((a) => a.node)),
    act("Send it back", () => send(`/v1/${order.name}:rework`, { etag: order.etag, reason: reason.value(), steps: anew.filter((a) => a.box.checked).map((a) => a.name) }), "Sent back to who did the work."));
}

// after is what comes when no step waits: signing for the work, looking at it, releasing it.
async function after(kit, act, world) {
  const { order } = world, may = (verb) => (order.allowedVerbs || []).includes(verb);
  if (world.waiting) return [el("p", { class: "caution" }, `Entries of this order wait to be sent: ${world.waiting}. Nothing is signed before they arrived. `, link("waiting", "Look at them"))];
  if (!world.fresh) return [el("p", { class: "caution" }, "Signing needs the connection.")];
  const sign = (role, title, ...what) => (has(role) ? signing(kit.again, order.name, title, ...what, { regime: order.regime, say: kit.say }) : el("p", { class: "caution" }, `${title}: for somebody with the role ${role}.`));
  if (order.state === "STARTED") return [await sign("technician", "Sign for the work", "PERFORMED", "finish")];
  if (order.state !== "FINISHED" && order.state !== "INSPECTED") return [];
  return [...await differences(kit, world), may("inspect") ? await sign("inspector", "Sign the inspection", "INSPECTED", "inspect") : null,
    may("release") ? await sign("releaser", "Sign the release", "RELEASED", "release") : null,
    may("rework") && has("inspector", "releaser") ? back(act, world) : null];
}

// starting asks for the serial number on the data plate first: two engines of one aircraft look alike.
function starting(act, { order, plane, station }) {
  const read = field("serial-read", "Serial number on the engine's data plate", { maxlength: "40", autocapitalize: "characters", spellcheck: "false" }), count = readCounters(), weather = readWeather(order, station);
  return [el("p", { class: "caution" }, order.aircraft ? `CAUTION: this order is for the engine at ${order.enginePosition || "the position that the order says"} of ${plane || last(order.aircraft)}, and for no other.`
    : "CAUTION: this order is for an engine that is fitted to no aircraft: work in the shop."), ...read.nodes, count.node,
  act("Start the work", () => send(`/v1/${order.name}:start`, filled({ etag: order.etag, serialRead: read.value(), counters: count.value() })), "The work is started.", (e) => { count.refused(e); weather.refused(e); }), weather.node];
}

// readWeather is what the air is expected to come to now, asked for where the service refuses to start without it; what was typed above stays.
function readWeather(order, called) {
  const cold = numberBox("station.weather.lowest_expected_c", "now-cold", "Lowest air temperature expected now, °C", undefined, { hint: "From mixing to the end of the drying run." }), source = textBox("station.weather.source", "now-source", "Where that is from", { maxlength: "200" });
  const told = el("p", { id: "now-told", role: "status" }), form = entering("now-weather", `Record it for ${called || last(order.station)}`, [cold, source], async () => {
    if (cold.value() === undefined) throw wrong(cold.path, "Give the lowest temperature that is expected now.");
    const station = await get("/v1/" + order.station), kept = await change(station, { weather: filled({ lowestExpectedC: cold.value(), source: source.value() }) });
    return `✓ ${kept.weather.lowestExpectedC} °C is recorded for ${kept.displayName}. Start the work now: what you typed is still above.`;
  }, (said) => { told.textContent = said; });
  const node = el("section", { hidden: "" }, form, told);
  return { node, refused: (e) => { node.hidden = e.reason !== "WEATHER_STALE"; if (!node.hidden) cold.box.focus(); } };
}

// readCounters are what the counters say at the start; what is left empty is taken from the record, and the box opens where the service asks for it.
function readCounters() {
  const hours = numberBox("counters.operating_seconds", "start-hours", "Hours since new, such as 4120.5"), cycles = numberBox("counters.cycles", "start-cycles", "Cycles since new");
  const starts = numberBox("counters.starts", "start-starts", "Starts since new"), whole = (n) => (n === undefined ? undefined : String(Math.round(n)));
  const value = () => filled({ operatingSeconds: hours.value() === undefined ? undefined : String(Math.round(hours.value() * 3600)), cycles: whole(cycles.value()), starts: whole(starts.value()) });
  const node = fold("Counters read now", el("p", {}, "What stays empty is taken from the engine's record."), ...hours.nodes, ...cycles.nodes, ...starts.nodes);
  return { node, value: () => (Object.keys(value()).length ? value() : undefined),
    refused: (e) => { if ((e.reason || "").startsWith("COUNTERS")) node.open = true; } };
}

const unready = {
  DRAFTED: "The work can't start yet: the order is drafted, and a planner schedules it first.",
  SCHEDULED: "The work can't start yet: stores issue what it needs, and then a planner or stores say that the kit is complete.",
};

// next is what can be done on the order now.
async function next(kit, act, world, at) {
  const { order } = world, may = (verb) => (order.allowedVerbs || []).includes(verb);
  if (order.hold) return held(act, world);
  if (may("start")) {
    return has("technician") ? starting(act, world)
      : [el("p", {}, "The kit is complete. A technician starts the work.")];
  }
  if (order.state === "STARTED" && at) return [await stepPanel(kit, act, world, at)];
  const rest = await after(kit, act, world);
  return rest.length ? rest : [el("p", {}, unready[order.state] || "Nothing is left to do.")];
}

export async function workPage(again, id, chosen) {
  const name = "workOrders/" + encodeURIComponent(id), read = await asRead(name), world = overlaid(read, await mine(name), current().person), { order } = world;
  const say = inWords(world), act = pressing(again, say), at = world.steps.find((s) => last(s.name) === chosen) || world.steps.find(waits);
  const kit = { again, say, who: (person) => (person === current().person ? "you" : world.people[person] || last(person)) };
  return [el("div", { id: "work" }, el("h2", {}, `Work ${order.number}`), offline(world),
    el("p", {}, orderState(order), ` ${order.displayName}, engine ${order.engineSerial} `, link("order/" + id, "Order"), " ", has("technician", "stores") ? link("mix/" + id, "Mix for it") : null), ...failing(order),
    order.reworkReason && order.state === "STARTED" ? el("p", { class: "caution" }, "Sent back: " + order.reworkReason) : order.reworkReason ? el("p", {}, "It was sent back once: " + order.reworkReason) : null,
    ...drying(act, world, at), ...(await next(kit, act, world, at)).filter(Boolean), ...planPanel(world.plan, world.called), list(kit, world, at), findings(kit, act, world, at), runs(kit, act, world), labour(kit, act, world, at))];
}
