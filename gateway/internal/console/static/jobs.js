// Jobs: what waits for the person who is signed in, by what that person may do. Each job is one thing to press, with what stands in its way.
import { all, current, has, suiteNow } from "/api.js";
import { chip, el, instant, last, link } from "/dom.js";
import { registered } from "/names.js";

const words = { STARTED: "being done", KITTED: "ready to start", SCHEDULED: "waits for its kit", FINISHED: "done, signed by who did it", INSPECTED: "inspected" };

// own puts the jobs of the person first, then what is under way, then by time.
function own(orders) {
  const me = current().person, first = (o) => ((o.assignees || []).includes(me) ? 0 : 1), under = (o) => (o.state === "STARTED" ? 0 : o.state === "KITTED" ? 1 : 2);
  const hour = (o) => o.planStartTime || "9";
  return orders.toSorted((a, b) => first(a) - first(b) || under(a) - under(b) || hour(a).localeCompare(hour(b)));
}

function late(order) {
  return ["SCHEDULED", "KITTED"].includes(order.state) && order.planStartTime && Date.parse(order.planStartTime) < suiteNow();
}

function card(order, plane) {
  const id = last(order.name), mine = (order.assignees || []).includes(current().person);
  return el("li", { class: "card" }, link("work/" + id, order.displayName, { class: "go" }), el("p", {}, chip(order.state), ` ${words[order.state] || ""}`, order.hold ? el("strong", {}, ` ■ ON HOLD: ${order.hold.reason}`) : ""),
    el("p", {}, `${order.number}, engine ${order.engineSerial}${order.aircraft ? ` on ${plane(order.aircraft)}` : ""}${mine ? ", for you" : (order.assignees || []).length ? "" : ", for nobody yet"}`),
    el("p", {}, `Planned ${instant(order.planStartTime)}`, late(order) ? el("strong", {}, " ▲ that time is past") : ""),
    order.reworkReason && order.state === "STARTED" ? el("p", { class: "caution" }, "Sent back: " + order.reworkReason) : null);
}

const cards = (plane) => (title, orders, empty) => [el("h3", {}, title), orders.length ? el("ul", { class: "cards" }, ...own(orders).map((o) => card(o, plane))) : el("p", {}, empty)];

const states = ["SCHEDULED", "KITTED", "STARTED", "FINISHED", "INSPECTED"];

export async function jobsPage() {
  const [plane, orders] = await Promise.all([registered(), all("/v1/workOrders?filter=" + encodeURIComponent(states.map((s) => `state = ${s}`).join(" OR ")))]);
  const section = cards(plane), of = (...wanted) => orders.filter((o) => wanted.includes(o.state));
  const toRelease = orders.filter((o) => o.state === "INSPECTED" || (o.state === "FINISHED" && !o.inspectionRequired));
  return [el("h2", {}, "Jobs"),
    ...(has("technician") ? section("To do", of("STARTED", "KITTED", "SCHEDULED"), "No job is planned. A planner schedules the next one.") : []),
    ...(has("inspector") ? [...section("To inspect", orders.filter((o) => o.state === "FINISHED" && o.inspectionRequired), "Nothing waits for an inspection."),
      ...section("Under way; a step may be for you", of("STARTED"), "No work is under way.")] : []),
    ...(has("releaser") ? section("To release", toRelease, "Nothing waits for a release.") : []),
    ...(has("technician", "inspector", "releaser") ? [] : section("Open jobs", orders, "No job is open.")),
    el("p", {}, link("orders", "All orders"))];
}
