// The page of entries that wait for a connection, and the line that tells of them on every page.
import { current } from "/api.js";
import { chip, el, instant, last, link, table, words } from "/dom.js";
import { again, discard, flush, mine, onEntries, there } from "/waiting.js";

// told is the line in the head of every page.
export async function told(place) {
  const entries = current() ? await mine() : [], refused = entries.filter((e) => e.state === "REFUSED").length;
  const text = [refused && `■ ${refused} ${refused === 1 ? "entry needs" : "entries need"} your eyes`, entries.length > refused && `◐ ${entries.length - refused} waiting to be sent`].filter(Boolean).join(" · ");
  if (place.textContent === text) return;
  place.replaceChildren(...(text ? [link("waiting", text, { class: refused ? "chip bad" : "chip look" })] : []));
}

// said is an entry in words.
const said = (e) => `${e.title}${e.body.note ? ". " + e.body.note : ""}`;

// whyNot is the reason in words; what somebody else changed is said without the names that only programs know.
const whyNot = (e) => (e.reason === "ETAG_MISMATCH" ? "It was changed meanwhile, by somebody else or from another device." : e.said);

// theirs says what the suite holds where a refused entry belongs.
async function theirs(entry) {
  const at = await there(entry);
  if (!at) return "nothing";
  return at.entered ? `${at.entered.text} ${at.entered.unitCode}, ${last(at.person)}, ${instant(at.measureTime)}`
    : `${words(at.state)}${at.performer ? `, ${last(at.performer)}, ${instant(at.completeTime)}` : at.acknowledger ? `, read by ${last(at.acknowledger)}` : ""}`;
}

// decide is what the person can do about a refused entry: nothing of it is done without a press.
function decide(entry, show) {
  const press = (title, action) => el("button", { type: "button", onclick: async (event) => { event.target.disabled = true; await action(); await show(); } }, title);
  const confirms = entry.reason === "OUT_OF_LIMITS_NOT_CONFIRMED";
  const sure = el("details", {}, el("summary", {}, "Take it back"), el("p", {}, "What you entered is deleted from this device, and the suite never has it."), press("Delete my entry", () => discard(entry)));
  return el("div", { class: "decide" }, press(confirms ? "It is right: send it as outside limits" : "Send mine again", () => again(entry, confirms ? { body: { exceedanceConfirmed: true } } : {})), sure);
}

export async function waitingPage(show) {
  const entries = await mine(), refused = entries.filter((e) => e.state === "REFUSED"), rest = entries.filter((e) => e.state !== "REFUSED");
  const where = (e) => link("work/" + last(e.order), "Order");
  const now = await Promise.all(refused.map((e) => theirs(e).catch(() => "not known without a connection")));
  return [el("h2", {}, "Entries that wait"),
    el("p", {}, "They are on this device only, until the suite has them. Nothing of them is lost when the browser is closed; clearing its data would delete them."),
    table("Needs your eyes: the suite did not take these", ["Entered", "What", "State", "Why not", "The suite has", "On", "What now"],
      refused.map((e, i) => [instant(e.made), said(e), chip("REFUSED"), whyNot(e), now[i], where(e), decide(e, show)]), "Nothing was refused."),
    table("Waiting to be sent", ["Entered", "What", "State", "On"], rest.map((e) => [instant(e.made), said(e), chip("WAITING"), where(e)]), "Nothing waits."),
    rest.length ? el("p", { id: "sending" }, el("button", { type: "button", onclick: async () => { await flush(); await show(); } }, "Send now")) : null].filter(Boolean);
}

// keepSending sends when the connection comes back, when somebody looks at the page again, and now and then. Before it, ready takes up the session
// of a console that was started without a connection; changed is called when something arrived or was refused.
export function keepSending(place, ready, changed) {
  onEntries(() => told(place));
  const standing = async () => JSON.stringify((await mine()).map((e) => [e.id, e.state]));
  const go = async () => {
    if (!(await mine()).some((e) => e.state === "WAITING")) return;
    const before = await standing();
    await ready();
    await flush();
    if (await standing() !== before) await changed();
  };
  document.addEventListener("visibilitychange", () => document.visibilityState === "visible" && go());
  setInterval(go, 20_000);
  return go;
}
