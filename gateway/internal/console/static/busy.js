// While a page is read, or a change is under way, what is seen may not be so any more: nothing on the page takes a press or a key until it is. What the
// person had the keys on has them again afterwards, and when it takes long the page says so.
import { Refused } from "/api.js";
import { el } from "/dom.js";
import { boxesOf, savedTyped } from "/typed.js";

const page = document.getElementById("page"), message = document.getElementById("message"), slow = document.getElementById("slow");
const holds = new Set();
const later = []; // what is said once the page that is read stands there
let had = null, tellers = [];

// wait tells how long it takes, in words that a screen reader speaks too; the ways to other pages stay open.
const wait = () => [[1500, "One moment: the suite is asked."], [15_000, "Still no answer. You can wait, or go to another page; what was sent is done once."]]
  .map(([after, words]) => setTimeout(() => slow.replaceChildren(el("span", {}, words)), after));

// hold shuts the page for one reason; free opens it when no other is left. While a starter runs it is not shut: switching off waits for nothing.
export function hold(reason) {
  if (!holds.size) {
    had = page.contains(document.activeElement) && document.activeElement !== page ? document.activeElement : null;
    tellers = wait();
  }
  holds.add(reason);
  page.inert = !page.querySelector("#elapsed");
  page.setAttribute("aria-busy", "true");
}

export function free(reason) {
  if (!holds.delete(reason) || holds.size) return;
  page.inert = false;
  page.removeAttribute("aria-busy");
  tellers.forEach(clearTimeout);
  slow.replaceChildren();
  if (had && had.isConnected && document.activeElement === document.body) had.focus({ preventScroll: true });
  had = null;
}

// settled opens the page whatever shut it: another one stands there now, which waits for nothing, and is told what came of a change while it was read.
export const settled = () => { [...holds].forEach(free); later.splice(0).forEach((tell) => setTimeout(tell)); };

let anew = null;
// anewBy takes what draws the page as the suite has it now.
export const anewBy = (draw) => { anew = draw; };

// inWords says what to do where somebody else was quicker, which the service says with the names that programs know.
const inWords = (e) => (e.reason !== "ETAG_MISMATCH" ? e : Object.assign(new Refused("Nothing was saved: this was changed since the page was read, by somebody else or in another tab. Show it as it is now, look at what changed, and press again; what you typed stays."), e, { violations: [] }));

// wayOn is the button for that, under the one that was pressed.
function wayOn(e, at) {
  const place = at && (at.closest(".press") || at), old = place && place.querySelector(".anew");
  if (old) old.remove();
  if (place && e.reason === "ETAG_MISMATCH") place.append(el("p", { class: "anew" }, el("button", { type: "button", class: "back quiet", onclick: () => anew() }, "Show it as it is now")));
}

export const busy = () => holds.size > 0;

// changing makes one change at a time. done is what follows it, unless the person went to another page meanwhile: what they type there is not taken
// away, and what became of the change is said in the page's message. at is the form or the button: what was typed for it is saved then, and not kept any longer. Nothing that came back is lost in a page that is gone.
export async function changing(title, change, done, refused, at) {
  if (busy()) return refused(new Refused("Something else is still under way. Press once more when it is done."));
  const from = page.dataset.shows, reason = {}, elsewhere = () => page.dataset.shows !== from || busy();
  const say = (said) => { const tell = () => { message.textContent = said; }; if (busy()) later.push(tell); else tell(); };
  const typed = boxesOf(at);
  hold(reason);
  try {
    const said = await change();
    savedTyped(typed, from);
    free(reason); // what follows may give the keys to a box, or shut the page while it is read anew
    if (elsewhere()) say(typeof said === "string" && said ? said : `✓ ${title}: it is done.`);
    else await done(said);
  } catch (e) {
    free(reason);
    if (!(e instanceof Refused)) throw e;
    const said = inWords(e);
    if (elsewhere()) return say(`✕ ${title}: ${said.message}`);
    refused(said);
    wayOn(e, at);
  } finally { free(reason); }
}
