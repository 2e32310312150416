// Starter runs: the next allowed start counts down to an absolute time that the service computed, so that a dark screen or a reload changes
// nothing. A run is recorded as it was, too early or too long as well; the service then says which limit it broke.
import { tick } from "/press.js";

const clock = (seconds) => `${Math.floor(seconds / 60)} min ${String(seconds % 60).padStart(2, "0")} s`;

// kept is the run that is under way at a step, also after a reload.
function kept(step) {
  const key = "coldsection-run-" + step.name;
  return { get: () => JSON.parse(localStorage.getItem(key) || "null"), set: (run) => localStorage.setItem(key, JSON.stringify(run)), clear: () => localStorage.removeItem(key) };
}

const now = () => new Date(Date.now()).toISOString();

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

// waiting is the time until the starter may run, and the button that says that it does.
function waiting({ el, again }, limits, run) {
  const left = el("p", { id: "countdown", class: "huge", role: "timer" }), button = el("button", { type: "button", class: "large", id: "starter-on" });
  button.addEventListener("click", () => { run.set({ startTime: now() }); again(); });
  ticking(left, () => {
    const seconds = limits.nextAllowedTime ? Math.ceil((Date.parse(limits.nextAllowedTime) - Date.now()) / 1000) : 0;
    left.textContent = seconds > 0 ? `■ WAIT ${clock(seconds)}` : "○ The starter may run now";
    button.className = seconds > 0 ? "quiet" : "large";
    button.textContent = seconds > 0 ? "It runs all the same (recorded as an exceedance)" : "Starter on now";
  });
  return [left, el("p", {}, limits.nextAllowedTime ? `Next start at ${limits.nextAllowedTime.slice(11, 19)} UTC. ` : "", limits.bindingLimit || ""), button];
}

// running is the run under way; once it is switched off its times stand, until the service has them.
function running({ el, send, again }, act, world, step, limits, run) {
  const lasts = el("p", { id: "elapsed", class: "huge", role: "timer" }), broken = tick(el, "aborted", "It was broken off"), most = limits.maxSeconds;
  ticking(lasts, () => {
    const { startTime, endTime } = run.get() || {};
    const seconds = Math.max(0, Math.floor(((endTime ? Date.parse(endTime) : Date.now()) - Date.parse(startTime)) / 1000));
    lasts.textContent = `${most && seconds > most ? "■ OFF! " : "▶ "}${clock(seconds)}${most ? ` of at most ${most} s` : ""}`;
  });
  const off = act("Starter off now", async () => {
    const times = run.get();
    if (!times.endTime) run.set(Object.assign(times, { endTime: now() }));
    await send(`/v1/${world.order.name}/motoringRuns`, { step: step.name, startTime: times.startTime, endTime: times.endTime, aborted: broken.box.checked });
    run.clear();
  }, "The run is recorded.");
  return [lasts, broken.node, off, el("button", { type: "button", class: "quiet", onclick: () => { run.clear(); again(); } }, "It did not run: forget this start")];
}

export async function motoring(kit, act, world, step) {
  const { el } = kit, limits = await kit.get(`/v1/${world.order.name}/motoringLimits`), run = kept(step);
  const made = world.runs.filter((r) => r.step === step.name).map((r) => el("li", {}, `${r.startTime.slice(11, 19)} to ${r.endTime.slice(11, 19)} UTC${r.aborted ? ", broken off" : ""}`,
    r.exceedance ? el("strong", {}, ` ■ EXCEEDANCE: ${r.exceedanceText}`) : " ○ within limits"));
  return [el("section", { id: "motoring" }, el("h4", {}, "Starter"), ...(run.get() ? running(kit, act, world, step, limits, run) : waiting(kit, limits, run)),
    made.length ? el("ol", { id: "runs" }, ...made) : el("p", {}, "No run of this step is recorded yet."))];
}
