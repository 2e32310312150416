// Starter runs: the next allowed start counts down to an absolute time that the service computed, on the suite's clock, so that a dark screen, a
// reload or a wrong clock of the device changes nothing. Rests are minima: the button is shut until the rest is over, and nothing here
// opens it sooner. A run that was made all the same, or with a stopwatch, is recorded with its times as it was; the service says what it broke.
import { Refused, clockAhead, clockKnown, has, suiteNow } from "/api.js";
import { shown, told } from "/corrections.js";
import { choice, el, field, fold, minutes, tick, utc } from "/dom.js";
import { enter } from "/waiting.js";

// kept is the run that is under way at a step, also after a reload. Both its times are this device's, so that its length is right, and go by the
// difference of the clocks at its start, so that they are the suite's.
function kept(step) {
  const key = "coldsection-run-" + step.name;
  return { get: () => JSON.parse(localStorage.getItem(key) || "null"), set: (run) => localStorage.setItem(key, JSON.stringify(run)), clear: () => localStorage.removeItem(key) };
}

const iso = (ms, ahead) => new Date(ms + ahead).toISOString();

// ticking calls a function at once and then until its element is gone from the page.
function ticking(node, each) {
  let seen = false;
  const timer = setInterval(() => {
    seen = seen || node.isConnected;
    if (seen && !node.isConnected) return clearInterval(timer);
    each();
  }, 250);
  each();
  return node;
}

// shut says why the starter may not be switched on whatever the time is: "" when only the time decides. Limits that are not known are none that
// are met.
function shut(world) {
  if (world.limits.none) return world.limits.none;
  if (!world.limits.maxSeconds) return "No limits of the starter are on record for this engine's model. Take them from the approved data, and record the run below.";
  if (!clockKnown()) return "The suite's clock is not known on this device. It is once there is a connection.";
  if (world.runs.some((r) => r.waiting)) return "A run waits to be sent, so the next start is not known here. Take it from the approved data, and record the run below.";
  return "";
}

// waiting is the time until the starter may run, and the button that says that it does. begun shows the run at once: its time runs, whatever the connection does.
function waiting(begun, world, run) {
  const { limits } = world, closed = shut(world), opens = limits.nextAllowedTime ? Date.parse(limits.nextAllowedTime) : 0;
  const left = el("p", { id: "countdown", class: "huge", role: "timer" }), button = el("button", { type: "button", class: "large", id: "starter-on", "aria-describedby": "countdown" }, "Starter on now");
  const seconds = () => Math.ceil((opens - suiteNow()) / 1000);
  button.addEventListener("click", () => {
    if (closed || seconds() > 0) return;
    run.set({ start: Date.now(), ahead: clockAhead() });
    begun();
  });
  ticking(left, () => {
    left.textContent = closed ? "■ SHUT" : seconds() > 0 ? `■ WAIT ${minutes(seconds())}` : "○ The starter may run now";
    button.disabled = Boolean(closed) || seconds() > 0;
  });
  return [left, el("p", {}, closed || (opens ? `Next start at ${limits.nextAllowedTime.slice(11, 19)} UTC. ` : ""), closed ? "" : limits.bindingLimit || ""), button];
}

// record sends a run as it was made.
async function record(world, step, run) {
  if (!run.startTime || !run.endTime) throw new Refused("Fill in both times, from and to.");
  return enter(world.order.name, `/v1/${world.order.name}/motoringRuns`, { ...(step ? { step: step.name } : {}), ...run }, `Starter run of ${run.startTime.slice(11, 19)} UTC`);
}

// running is the run under way; once it is switched off its times stand, until the service has them.
function running(again, act, world, step, run) {
  const lasts = el("p", { id: "elapsed", class: "huge", role: "timer" }), broken = tick("aborted", "It was broken off"), most = world.limits.maxSeconds;
  ticking(lasts, () => {
    const { start, end } = run.get() || {};
    const seconds = Math.max(0, Math.floor(((end || Date.now()) - start) / 1000));
    lasts.textContent = `${most && seconds > most ? "■ OFF! " : "▶ "}${minutes(seconds)}${most ? ` of at most ${most} s` : ""}`;
  });
  const stop = () => { const times = run.get(); if (times && !times.end) run.set({ ...times, end: Date.now() }); };
  const off = act("Starter off now", async () => {
    const times = run.get(), told = await record(world, step, { startTime: iso(times.start, times.ahead), endTime: iso(times.end, times.ahead), aborted: broken.box.checked });
    run.clear();
    return told;
  }, "The run is recorded.");
  off.querySelector("button").addEventListener("click", stop, { capture: true }); // its time is that of the press, also when something else is under way
  return [lasts, broken.node, off, el("button", { type: "button", class: "quiet", onclick: () => { run.clear(); again(); } }, "It did not run: forget this start")];
}

// timed are the boxes of a run by its times, such as one by a stopwatch.
function timed(id, on, off) {
  const from = field(id + "-from", on, { type: "datetime-local", step: "1" }), to = field(id + "-to", off, { type: "datetime-local", step: "1" });
  const broken = tick(id + "-aborted", "It was broken off"), what = field(id + "-remarks", "What happened", { maxlength: "400" });
  return { nodes: [...from.nodes, ...to.nodes, broken.node, ...what.nodes],
    body: () => ({ startTime: utc(from), endTime: utc(to), aborted: broken.box.checked, ...(what.value() ? { remarks: what.value() } : {}) }) };
}

// made takes a run of this step by its times, or one that the starter was used for before this order.
function made(act, world, step) {
  const times = timed("run", "Starter on, UTC", "Starter off, UTC");
  const purpose = choice("run-purpose", "What it was for", [["PURPOSE_UNSPECIFIED", "this step"], ["EARLIER", "another job, before this order was started"]]);
  return fold("Record a run that was made", el("p", {}, "Every run counts, one that was broken off or made too early too. It is recorded as it was, and held against the limits."),
    ...purpose.nodes, ...times.nodes, act("Record the run", () => record(world, step, { purpose: purpose.value(), ...times.body() }), "The run is recorded."));
}

// drying tells that the engine is to be dried and until when, on every step from when liquid went through it, and once no step waits; and takes the run that does it.
export function drying(act, world, step) {
  const { lastWettingTime: wet, dryingDueTime: due, dryingRunMissing: missing } = world.limits, dried = world.runs.some((r) => r.waiting && r.purpose === "DRYING" && !r.aborted);
  if (!missing || dried || (!wet && step)) return [];
  const said = wet ? "▲ The engine is wet: liquid went through it, and no drying run is recorded since." : "▲ No drying run is recorded, and the plan asks for one.";
  if (world.order.state !== "STARTED") return [el("p", { class: "caution" }, `${said} Nobody signs this order before: it is sent back, and the run is recorded.`)];
  const left = el("p", { id: "drying-left", role: "timer" }, said), times = timed("drying", "Engine start, UTC", "Engine shutdown, UTC");
  if (due) ticking(left, () => {
    const seconds = Math.ceil((Date.parse(due) - suiteNow()) / 1000);
    left.textContent = seconds > 0 ? `▲ The engine is wet: dry it within ${minutes(seconds)}` : "■ The engine is wet, and drying it is late";
  });
  const since = wet ? `Liquid went through until ${wet.slice(11, 19)} UTC${due ? `; by the plan the drying run begins until ${due.slice(11, 19)} UTC` : ""}. ` : "";
  return [el("section", { id: "drying" }, left, !has("technician") ? el("p", {}, "A technician records the drying run.") : fold("Record the drying run",
    el("p", { class: "caution" }, "WARNING: the propeller turns and the exhaust is hot. Everybody is out of both before the start; who may run the engine starts it."),
    el("p", {}, `${since}Start and run the engine as approved data say. Nobody signs for this order without it.`),
    ...times.nodes, act("Record the drying run", () => record(world, step, { purpose: "DRYING", ...times.body() }), "The drying run is recorded.")))];
}

// line is a run of the step in few words; one that counts no more is struck through.
const line = (kit, all) => (r) => (r.successor || r.withdrawn ? el("li", {}, shown(r, `${r.startTime.slice(11, 19)} to ${r.endTime.slice(11, 19)} UTC`), " – ", told(kit, r, all)) : counting(r));
const counting = (r) => el("li", {}, `${r.startTime.slice(11, 19)} to ${r.endTime.slice(11, 19)} UTC${r.purpose === "DRYING" ? ", drying run" : r.purpose === "EARLIER" ? ", an earlier job" : ""}${r.aborted ? ", broken off" : ""}`,
  r.waiting ? " ◐ waits to be sent" : r.exceedance ? el("strong", {}, ` ■ EXCEEDANCE: ${r.exceedanceText}`) : " ○ within limits");

// toRuns opens the list of all runs, where each can be corrected.
function toRuns() {
  const list = document.getElementById("all-runs");
  list.open = true;
  list.querySelector("summary").focus();
}

export function motoring(kit, act, world, step) {
  const run = kept(step), runs = world.runs.filter((r) => r.step === step.name).map(line(kit, world.runs));
  const now = el("div"), begun = () => { now.replaceChildren(...running(kit.again, act, world, step, run)); };
  if (run.get()) begun();
  else now.append(...waiting(() => { begun(); now.querySelector("button").focus(); }, world, run), made(act, world, step));
  return [el("section", { id: "motoring" }, el("h4", {}, "Starter"), now, runs.length ? el("div", {}, el("ol", { id: "runs" }, ...runs), el("button", { type: "button", class: "quiet", onclick: toRuns }, "An entry is wrong")) : el("p", {}, "No run of this step is recorded yet."))];
}
