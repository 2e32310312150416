// The console: pages over the public REST API. This file decides which page is shown to whom.
import { exceedancesPage, heldPage, readingPage } from "/analysis.js";
import { Refused, call, current, get, has, owners, renewBy, setCurrent } from "/api.js";
import { accountPage, emergency } from "/account.js";
import { accountsPage, callsPage } from "/accounts.js";
import { anewBy, free, hold, settled } from "/busy.js";
import { cardsPage } from "/cards.js";
import { el, link } from "/dom.js";
import { enginePage, enginesPage } from "/engines.js";
import { aircraftPage } from "/fleet.js";
import { importPage } from "/importing.js";
import { issueDesk } from "/issue.js";
import { itemPage } from "/item.js";
import { itemsPage } from "/items.js";
import { jobsPage } from "/jobs.js";
import { forgetSeen, forgetSession, keepSeen, seenOnce } from "/keep.js";
import { directivesPage, donePage, duePage, findingsPage, livesPage } from "/lists.js";
import { lotPage } from "/lot.js";
import { mixPage } from "/mixing.js";
import { modelsPage } from "/models.js";
import { orderPage, ordersPage } from "/order.js";
import { parkedPage } from "/parked.js";
import { partsPage } from "/parts.js";
import { peoplePage } from "/people.js";
import { stationsPage, storesPage } from "/places.js";
import { printed } from "/printed.js";
import { wayBack } from "/proof.js";
import { receiving } from "/receive.js";
import { recipesPage } from "/recipes.js";
import { releasesPage } from "/releases.js";
import { renewal } from "/renew.js";
import { requirementsPage } from "/requirements.js";
import { setupPage } from "/setup.js";
import { shelfPage } from "/shelf.js";
import { forms, providerRefusal } from "/signin.js";
import { evidencePage, packsPage, statusPage } from "/status.js";
import { forgetTyped, keepTyped, restoreTyped } from "/typed.js";
import { keepSending, told, waitingPage } from "/waits.js";
import { workPage } from "/work.js";

const at = (id) => document.getElementById(id);
const page = at("page"), alarm = at("alarm"), waits = at("waits");
const say = (text) => { at("message").textContent = text; };

// attempt shows a refusal as the page's message.
async function attempt(action) {
  try {
    say("");
    await action();
  } catch (e) {
    if (!(e instanceof Refused)) throw e;
    say(e.message);
  }
}

// again shows the page anew, and says what was done.
async function again(said) {
  await show();
  if (said && !at("message").textContent) say(/^[◐✓]/.test(said) ? said : "✓ " + said);
  scrollTo(0, 0);
}

const pages = {
  jobs: jobsPage, orders: (_, asked) => ordersPage(asked),
  engines: (_, asked) => enginesPage(again, asked),
  engine: (id) => enginePage(again, id),
  setup: setupPage,
  stations: (id, asked) => stationsPage(again, id, asked),
  places: (_, asked) => storesPage(again, asked),
  aircraft: (id, asked) => aircraftPage(again, id, asked),
  cards: (id, asked) => cardsPage(again, id, asked),
  models: (id, asked) => modelsPage(again, id, asked),
  requirements: (id, asked) => requirementsPage(again, id, asked),
  recipes: (id, asked) => recipesPage(again, id, asked),
  parts: (id, asked) => partsPage(again, id, asked),
  items: (_, asked) => itemsPage(again, asked),
  held: (id, asked) => heldPage(again, id, asked),
  reading: (id, _, reading) => readingPage(id, reading),
  exceedances: (_, asked) => exceedancesPage(again, asked),
  import: importPage,
  entries: (_, asked) => releasesPage(again, asked),
  order: (id) => orderPage(again, id),
  work: (id, _, step) => workPage(again, id, step),
  mix: (id, asked) => mixPage(again, id, asked),
  shelf: (_, asked) => shelfPage(attempt, asked),
  lot: (id) => lotPage(again, id),
  item: (id) => itemPage(again, "items/" + encodeURIComponent(id)),
  receive: async () => [el("h2", {}, "Receiving"), ...await receiving()],
  issue: (id) => [el("h2", {}, "Issue desk"), ...issueDesk(id)],
  accounts: (id, asked) => accountsPage(again, id, asked),
  people: (id, asked) => peoplePage(again, id, asked),
  calls: (_, asked) => callsPage(asked),
  parked: (_, asked) => parkedPage(again, asked),
  waiting: () => waitingPage(show),
  account: () => accountPage(attempt, async () => { setCurrent(await get("/v1/sessions/current")); await show(); }),
  due: (_, asked) => duePage(attempt, asked),
  directives: (_, asked) => directivesPage(attempt, asked),
  lives: (_, asked) => livesPage(asked), findings: (_, asked) => findingsPage(asked), packs: (_, asked) => packsPage(asked),
  done: (_, asked) => donePage(asked),
  status: (_, asked) => statusPage(attempt, asked),
  evidence: (_, asked) => evidencePage(asked),
};

const titles = { jobs: "Jobs", orders: "Orders", engines: "Engines", aircraft: "Aircraft", held: "Held readings", exceedances: "Exceedances", import: "Import readings", due: "Due list", status: "Status on a date", directives: "Directives", lives: "Life limits", parts: "Parts", done: "Last and next",
  findings: "Open findings", evidence: "Evidence", entries: "Releases to enter", packs: "Record packs", issue: "Issue desk", receive: "Receiving", shelf: "Shelf list", items: "Items", recipes: "Recipes", setup: "Setting up", stations: "Stations", places: "Places in stores", cards: "Task cards", models: "Engine models", requirements: "Requirements", people: "People", accounts: "Accounts", calls: "Record of calls", parked: "Parked facts" };

// ways are the pages that somebody with a role works on, the first of them where the day begins. All others are one press further.
const ways = { technician: ["jobs", "shelf"], inspector: ["jobs", "findings"], releaser: ["jobs", "findings"], stores: ["issue", "receive", "shelf"], planner: ["due", "orders", "engines", "setup"],
  quality: ["status", "findings", "entries", "packs", "people"], analyst: ["engines", "held", "import", "exceedances", "models"], admin: ["accounts", "people", "setup", "calls", "parked"], viewer: ["engines", "orders"] };
const own = () => [...new Set(current().roles.flatMap((r) => ways[r] || []))].filter((name) => !shut(name));
const home = () => own()[0] || "engines";

// Pages that are for some roles, and pages of the whole shop, of which the service shows nothing to an account that is limited to owners.
const forRoles = { accounts: ["admin", "quality"], calls: ["admin", "quality"], parked: ["admin", "quality"], packs: ["quality"] };
const ofTheShop = ["evidence", "issue", "receive", "shelf", "lot", "items", "item", "recipes", "setup", "stations", "places", "cards", "models", "requirements", "people", "held", "import", "jobs", "work", "mix"];

// shut says why a page is not for who is signed in, and whom to ask; nothing for one that is.
function shut(name) {
  if (forRoles[name] && !has(...forRoles[name])) return `This page is for ${forRoles[name].join(" and ")}. Ask one of them for what you need of it.`;
  if (owners().length && ofTheShop.includes(name)) return `This page is of the whole shop, and your account sees only what belongs to ${owners().join(", ")}. Ask the shop for what you need of it.`;
  return "";
}

// A page that comes late does not take the place of one that was asked for after it. The address of the one that is shown stands at it as data-shows: until then what is seen is the page before.
let shows = 0;

const notFor = (name) => [el("h2", {}, titles[name] || "Not for your account"), el("p", {}, shut(name)), el("p", {}, link(home(), "Go to " + titles[home()]))];
const nowhere = (path) => [el("h2", {}, "No such page"), el("p", {}, `Nothing is at “${path}”. `, link(home(), "Go to " + titles[home()]))];

async function show() {
  const hash = location.hash, [path, asked] = hash.replace(/^#\//, "").split("?");
  const [asksFor, id, ...more] = path.split("/");
  if (asksFor === "invitation") return invitation(id);
  if (asksFor === "refused" && !current()) { await signIn(); return say(providerRefusal(id)); }
  if (!current()) return asksFor === "break-glass" ? envelope() : signIn();
  const name = current().secondFactorDue ? "account" : asksFor === "refused" ? home() : asksFor || home();
  navigation(name);
  const turn = ++shows;
  hold(pages);
  try {
    const made = shut(name) ? notFor(name) : Object.hasOwn(pages, name) ? await pages[name](id, new URLSearchParams(asked), ...more) : nowhere(path);
    if (turn !== shows) return;
    await watch();
    if (turn !== shows) return;
    keepTyped();
    page.replaceChildren(...made);
    page.dataset.shows = hash;
    restoreTyped(show);
    settled();
    keys();
    document.title = `${page.querySelector("h2").textContent} · coldsection`;
    say(asksFor === "refused" ? providerRefusal(id) : "");
    await told(waits);
  } catch (e) {
    if (turn === shows) await failed(e);
  } finally {
    if (turn === shows) free(pages);
  }
}

// keys gives the keys to what the page wants them for; without that, and when what had them is gone, to the heading, which is then read aloud.
function keys() {
  const wants = page.querySelector("[data-focus]"), lost = document.activeElement === document.body, at = wants || (lost && (page.querySelector("#step") || page.querySelector("h2")));
  if (!at) return;
  if (!wants) at.setAttribute("tabindex", "-1");
  at.focus({ preventScroll: true });
}

// whyEnded says above the form that a session ended because nobody used it; that nobody is signed in needs no words.
const whyEnded = (e) => { if (e.reason === "SESSION_IDLE") say(e.message); };

// failed says why a page can't be shown, and the way on; what stood there before is not what was asked for.
async function failed(e) {
  if (!(e instanceof Refused)) throw e;
  if (e.status === 401 && leaving) return;
  if (e.status === 401) { setCurrent(null); await forgetSession(); await signIn(); return whyEnded(e); }
  delete page.dataset.shows;
  settled();
  page.replaceChildren(el("h2", {}, e.unsent ? "No connection" : "This page can't be shown"), el("p", {}, e.unsent ? "The suite did not answer." : "The suite says why above."),
    el("p", {}, el("button", { type: "button", onclick: show }, "Try again"), " ", link(home(), titles[home()])));
  keys();
  say(e.message);
  await told(waits);
}

// watch shows the alarm, and says it anew only when it changed. Without a connection there is nothing to be read of it.
async function watch() {
  const turn = shows, warned = current() ? await emergency().catch((e) => { if (e instanceof Refused && e.unsent) return [...alarm.children]; throw e; }) : [];
  if (turn === shows && alarm.textContent !== warned.map((w) => w.textContent).join("")) alarm.replaceChildren(...warned);
}

// watching looks each minute, and when somebody comes back to the page; what can't be read now is read the next time.
const watching = () => watch().catch((e) => { if (!(e instanceof Refused)) throw e; });

const anchor = (name, now) => el("a", { href: "#/" + name, "aria-current": name === now ? "page" : undefined }, titles[name]);

function navigation(now) {
  const mine = own(), rest = Object.keys(titles).filter((name) => !mine.includes(name) && !shut(name));
  at("nav").replaceChildren(...mine.map((name) => anchor(name, now)), el("details", { class: "more" }, el("summary", {}, rest.includes(now) ? "More: " + titles[now] : "More"), ...rest.map((name) => anchor(name, now))));
  at("who").replaceChildren(current().displayName + " ", owners().length ? `(sees what belongs to ${owners().join(", ")}) ` : "", el("a", { class: "mine", href: "#/account", "aria-current": now === "account" ? "page" : undefined }, "My account"), " ",
    el("button", { type: "button", class: "back", onclick: leave }, "Sign out"));
}

let leaving = false;

// leave signs out, and takes from this device what was read; entries that wait stay, for their person. A page that is still read meanwhile meets the end of the session,
// and does not draw the sign-in a second time over what is typed there.
async function leave() {
  leaving = true;
  await attempt(async () => {
    await call("POST", "/v1/sessions:signOut", {});
    await forgetSeen();
    forgetTyped();
    setCurrent(null);
    history.replaceState(null, "", "#/"); // who signs in next begins at their own work
    await signIn();
  });
  leaving = false;
}

function cleared() {
  shows++;
  settled();
  delete page.dataset.shows;
  for (const id of ["nav", "who", "waits", "alarm"]) at(id).replaceChildren();
  document.title = "coldsection";
}

const { signIn, envelope, invitation } = forms(page, say, cleared, async (session) => {
  await begin(session);
  say("");
  if (/^#\/(invitation|break-glass|refused)/.test(location.hash)) history.replaceState(null, "", "#/");
  await show();
  await sendNow();
});

// begin takes a session, and keeps who it is of for a start without a connection; it opens nothing by itself.
async function begin(session) {
  setCurrent(session);
  const { account, person, displayName, roles, owners: sees, method, unitSystem } = session;
  await keepSeen("session", { account, person, displayName, roles, owners: sees, method, unitSystem }, Date.now());
}

renewBy(renewal(begin));
anewBy(() => again("This is how it stands now."));

// start takes up the session of the browser. Without a connection it shows what this device knows to whom it knew last.
let unsigned = null; // why nobody is, at the start
async function start() {
  try { await begin(await get("/v1/sessions/current")); } catch (e) {
    if (!(e instanceof Refused)) throw e;
    unsigned = e;
    if (e.status === 401) await forgetSession();
    const known = e.unsent && await seenOnce("session");
    if (known) setCurrent(known.value);
  }
}

// renewed takes up the session again once the connection is back, when the console was started without one.
const renewed = async () => { if (current() && !current().csrfToken) await start(); };
const sendNow = keepSending(waits, renewed, async () => { if (page.querySelector("#work, .decide, #sending")) await refresh(); });

// typing says that somebody has begun an entry on the page, which no redrawing may take away.
const typing = () => [...page.querySelectorAll("input, textarea")].some((n) => (["checkbox", "radio"].includes(n.type) ? n.checked !== n.defaultChecked : n.value !== n.defaultValue));

// refresh shows the page anew by itself, unless that would take away what somebody is typing, or the clock of a starter that runs.
async function refresh() {
  if (!typing() && !page.querySelector("#elapsed")) return show();
  say("The connection is back. The page shows what is new after your entry.");
}

// connected is what happens when the browser says that there is a connection: entries go out, and the page is read anew.
async function connected() {
  await renewed();
  await refresh();
  await sendNow();
}

at("skip").addEventListener("click", (event) => { event.preventDefault(); page.focus(); }); // the address is the page's name, so that it can't be used for this
addEventListener("hashchange", show);
addEventListener("focus", watching);
addEventListener("online", connected);
addEventListener("beforeprint", printed);
setInterval(watching, 60_000);
if (navigator.serviceWorker) navigator.serviceWorker.register("/sw.js").catch(() => {}); // without it the console works, and needs the connection to be opened
await start();
const refusal = /^#\/refused\/(\w+)/.exec(location.hash), back = wayBack();
if (back) history.replaceState(null, "", back);
await show();
if (unsigned && !current()) whyEnded(unsigned);
if (back && refusal) say(providerRefusal(refusal[1]));
await sendNow();
