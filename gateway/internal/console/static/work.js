// The work page: a technician does an order here, step after step, and who inspects and who releases sign here. Every button is a call of
// the public API, which decides; the page keeps nothing but the moment at which a starter was switched on.
import { findings } from "/found.js";
import { labour } from "/labour.js";
import { pressing } from "/press.js";
import { signing } from "/sign.js";
import { stepPanel } from "/step.js";

// all reads a list to its end.
async function all(get, path, what) {
  const rows = [];
  for (let token = "", read = null; !read || token; token = read.nextPageToken) {
    read = await get(`/v1/${path}${what}?pageSize=200&pageToken=${encodeURIComponent(token)}`);
    rows.push(...(read[what] || []));
  }
  return rows;
}

// read gathers what the page shows of an order.
async function read(get, name) {
  const of = (what) => all(get, name + "/", what);
  const [order, steps, measurements, found, runs, worked, tools] = await Promise.all([get("/v1/" + name), of("steps"), of("measurements"), of("findings"), of("motoringRuns"),
    of("labourEntries"), all(get, "", "tools")]);
  return { order, steps, measurements, findings: found, runs, labour: worked, tools };
}

// waits says that a step has something left to do: itself, or its signature.
const waits = (step) => step.state === "OPEN" || (step.state === "DONE" && step.signatureRequired && !step.signature);

// offline is the banner that stands while there is no connection.
function offline(el) {
  const banner = el("p", { id: "offline", class: "stop", role: "alert" }, "■ No connection. Nothing is recorded and nothing can be signed here until it is back. Write on the fallback sheet meanwhile.");
  const look = () => {
    banner.hidden = navigator.onLine;
    if (!banner.isConnected && banner.dataset.shown) ["online", "offline"].forEach((e) => removeEventListener(e, look));
  };
  ["online", "offline"].forEach((e) => addEventListener(e, look));
  look();
  setTimeout(() => { banner.dataset.shown = "yes"; });
  return banner;
}

// list names every step with its state; each can be looked at.
function list(kit, world, current) {
  const { el, link, last, chip } = kit, order = last(world.order.name);
  return el("details", { id: "steps" }, el("summary", {}, `All ${world.steps.length} steps`), el("ol", {}, ...world.steps.map((s) =>
    el("li", s === current ? { "aria-current": "step" } : {}, link(`work/${order}/${last(s.name)}`, s.title), " ", chip(s.state), s.signature ? " signed" : "",
      s.performer ? ` ${last(s.performer)}, ${kit.instant(s.completeTime)}` : ""))));
}

// held is an order on hold: why, and the way on.
function held(kit, act, order) {
  return [kit.el("p", { class: "stop" }, `■ ON HOLD: ${order.hold.reason}`),
    act("Go on with the work", () => kit.send(`/v1/${order.name}:resume`, { etag: order.etag }), "The order goes on.")];
}

// differences is what whoever signs after the work looks at first: what departed from the plan, and readings outside limits or corrected.
async function differences(kit, world) {
  const compared = await kit.get(`/v1/${world.order.name}:compare`);
  const lines = (compared.comparisons || []).filter((c) => c.differs).map((c) => [c.label, c.plannedText, c.doneText, c.toleranceText || "–"]);
  const odd = world.measurements.filter((m) => !m.successor && (!m.limitsMet || m.supersedes)).map((m) => [m.key, `${m.entered.text} ${m.entered.unitCode}`,
    m.limitsMet ? "within limits" : "■ OUTSIDE LIMITS", m.reason || "–"]);
  return [kit.table("What departs from the plan", ["What", "Planned", "Done", "Tolerance"], lines, "Nothing departs from the plan."),
    kit.table("Readings outside limits, or corrected", ["Reading", "Value", "Limits", "Reason"], odd, "No reading is outside its limits, and none was corrected.")];
}

// back sends the order back to who did the work.
function back(kit, act, order) {
  const reason = kit.el("input", { id: "rework-reason", maxlength: "400", autocomplete: "off" });
  return kit.el("details", {}, kit.el("summary", {}, "Send it back"), kit.el("label", { for: "rework-reason" }, "Reason"), reason,
    act("Send it back", () => kit.send(`/v1/${order.name}:rework`, { etag: order.etag, reason: reason.value.trim() }), "Sent back to who did the work."));
}

// after is what comes when no step waits: signing for the work, looking at it, releasing it.
async function after(kit, act, world) {
  const { order } = world, may = (verb) => (order.allowedVerbs || []).includes(verb), { roles } = kit.session();
  const sign = (role, title, ...what) => (roles.includes(role) ? signing(kit, order.name, title, ...what) : kit.el("p", { class: "caution" }, `${title}: for somebody with the role ${role}.`));
  if (order.state === "STARTED") return [await sign("technician", "Sign for the work", "PERFORMED", "finish")];
  if (order.state !== "FINISHED" && order.state !== "INSPECTED") return [];
  return [...await differences(kit, world), may("inspect") ? await sign("inspector", "Sign the inspection", "INSPECTED", "inspect") : null,
    may("release") ? await sign("releaser", "Sign the release", "RELEASED", "release") : null,
    may("rework") && (roles.includes("inspector") || roles.includes("releaser")) ? back(kit, act, order) : null];
}

// next is what can be done on the order now.
async function next(kit, act, world, current) {
  const { order } = world, may = (verb) => (order.allowedVerbs || []).includes(verb);
  if (order.hold) return held(kit, act, order);
  if (may("start")) return [act("Start the work", () => kit.send(`/v1/${order.name}:start`, { etag: order.etag }), "The work is started.")];
  if (order.state === "STARTED" && current) return [await stepPanel(kit, act, world, current)];
  const rest = await after(kit, act, world);
  return rest.length ? rest : [kit.el("p", {}, order.state === "RELEASED" || order.state === "VOIDED" ? "Nothing is left to do." : "The work can't start yet. The order page says what is missing.")];
}

export async function workPage(kit, id, chosen) {
  const { el, chip } = kit, world = await read(kit.get, "workOrders/" + encodeURIComponent(id)), { order } = world;
  const act = pressing(kit), current = world.steps.find((s) => kit.last(s.name) === chosen) || world.steps.find(waits);
  const notes = [order.reworkReason ? el("p", { class: "caution" }, "Sent back: " + order.reworkReason) : null];
  return [el("div", { id: "work" }, el("h2", {}, `Work ${order.number}`), offline(el),
    el("p", {}, chip(order.state), ` ${order.displayName}, engine ${order.engineSerial} `, kit.link("order/" + id, "Order")), ...notes.filter(Boolean),
    ...(await next(kit, act, world, current)).filter(Boolean), list(kit, world, current), findings(kit, act, world, current), labour(kit, act, world, current))];
}
