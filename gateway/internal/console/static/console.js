// The console: a few pages over the public REST API. Text from the API is set as text, never as markup.
import { drawTrend } from "/trend.js";
import { issueDesk } from "/issue.js";
import { itemPage } from "/item.js";
import { receiving } from "/receive.js";
import { sender } from "/press.js";
import { workPage } from "/work.js";
import { planning, planningTitles } from "/planning.js";
import { accountPage, emergency } from "/account.js";

const page = document.getElementById("page");
const message = document.getElementById("message");
const alarm = document.getElementById("alarm");
let session = null;

class Refused extends Error {}

// call asks the API. Nothing comes from the browser's store: an etag stays the same when the units change or stock moves.
async function call(method, path, body, key) {
  const headers = { Accept: "application/json" };
  if (key) headers["Idempotency-Key"] = key;
  if (body) headers["Content-Type"] = "application/json";
  if (session && method !== "GET") headers["X-CSRF-Token"] = session.csrfToken;
  const answer = await fetch(path, { method, headers, body: body && JSON.stringify(body), credentials: "same-origin", cache: "no-store" }).catch(() => { throw unanswered(); });
  const text = await answer.text();
  const value = text ? JSON.parse(text) : {};
  if (!answer.ok) throw Object.assign(new Refused(value.detail || value.title || answer.statusText), { status: answer.status, reason: value.reason });
  return value;
}

// unanswered is said when no answer came: whether the call arrived isn't known, and a repeat of the same is safe.
function unanswered() {
  return Object.assign(new Refused("No connection: there was no answer. Try again when it is back; what did arrive happens once."), { unsent: true });
}

const get = (path) => call("GET", path);

function el(tag, attributes = {}, ...children) {
  const node = document.createElement(tag);
  for (const [name, value] of Object.entries(attributes)) {
    if (name.startsWith("on")) node.addEventListener(name.slice(2), value);
    else if (value !== undefined) node.setAttribute(name, value);
  }
  node.append(...children.filter((c) => c !== undefined && c !== null));
  return node;
}

const link = (name, text) => el("a", { href: "#/" + name }, text);
const date = (d) => (d && d.year ? [d.year, d.month, d.day].map((n) => String(n).padStart(2, "0")).join("-") : "–");
const instant = (t) => (t ? t.slice(0, 16).replace("T", " ") + "Z" : "–");
const amount = (q) => (q ? `${q.value} ${q.unitCode}` + (q.converted && q.converted.unitCode !== q.unitCode ? ` (${q.converted.displayText})` : "") : "–");
const last = (name) => (name || "").split("/").pop();

// A status is a shape, a word and a colour.
const looks = {
  CURRENT: ["good", "○"], NEAR: ["look", "◐"], DUE: ["look", "▲"], IN_TOLERANCE: ["look", "◆"], OVERDUE: ["bad", "■"], EXEMPT: ["none", "–"], NO_DATA: ["none", "◌"],
  STEADY: ["good", "○"], WATCH: ["look", "◐"], PLAN: ["look", "▲"], ACT: ["bad", "■"],
  USABLE: ["good", "○"], HELD: ["look", "◐"], EMPTIED: ["none", "–"], EXPIRED: ["bad", "■"], RECALLED: ["bad", "■"], DISPOSED: ["none", "–"],
  RELEASED: ["good", "○"], VOIDED: ["none", "–"], DIFFERS: ["look", "▲"],
  RECOVERED: ["good", "○"], NOT_RECOVERED: ["bad", "■"], CANNOT_TELL: ["none", "◌"],
};
function chip(word) {
  const plain = String(word || "NO_DATA").replace("CONDITION_LEVEL_", "");
  const [kind, shape] = looks[plain] || ["info", "◆"];
  return el("span", { class: "chip " + kind }, `${shape} ${plain.replaceAll("_", " ")}`);
}

function table(caption, heads, rows, empty) {
  if (rows.length === 0) return el("p", {}, empty);
  const head = el("tr", {}, ...heads.map((h) => el("th", { scope: "col" }, h)));
  const body = rows.map((cells) => el("tr", {}, ...cells.map((c, i) => el("td", { "data-head": heads[i], class: /^\d{4}-\d\d-\d\d$/.test(c) ? "date" : undefined }, c ?? "–"))));
  return el("div", { class: "scroll" }, el("table", {}, el("caption", {}, caption), el("thead", {}, head), el("tbody", {}, ...body)));
}

// files are the links under which an engine's chart and readings can be taken away.
function files(name) {
  const formats = [["Chart, SVG", "trend:render"], ["Chart, PNG", "trend:render?format=IMAGE_FORMAT_PNG"], ...["CSV", "XLSX", "PARQUET", "JSON"]
    .map((format) => ["Readings, " + format, "readings:export?format=TABLE_FORMAT_" + format])];
  return el("p", {}, ...formats.flatMap(([text, path]) => [el("a", { href: `/v1/${name}/${path}` }, text), " "]));
}

// attempt shows a refusal as the page's message.
async function attempt(action) {
  try {
    message.textContent = "";
    await action();
  } catch (e) {
    if (!(e instanceof Refused)) throw e;
    message.textContent = e.message;
  }
}

// label is the link under which a lot's label is drawn; its QR leads to this console.
function label(lot) {
  return el("a", { href: `/v1/${lot.name}:renderLabel?linkBase=${encodeURIComponent(location.origin)}`, download: "" }, "Label");
}

// packs are the links under which an order's record is taken away.
const packs = (name) => el("p", {}, ...[["Work pack, PDF", "PDF"], ["Work pack, JSON", "JSON"], ["Fallback sheet", "FALLBACK_SHEET"]]
  .flatMap(([title, format]) => [el("a", { href: `/v1/${name}:export?format=${format}`, download: "" }, title), " "]));

// nextStep shows the first open step with its cautions before what to do.
function nextStep(order, steps) {
  const step = steps.find((s) => s.state === "OPEN");
  if (!step || order.state === "RELEASED" || order.state === "VOIDED") return el("p", {}, "No step is open.");
  return el("section", { id: "next" }, el("h3", {}, `Next: ${step.position} ${step.title}`),
    ...(step.cautions || []).map((c) => el("p", { class: "caution" }, el("strong", {}, c.severity + ": "), c.text)),
    el("p", {}, step.instruction || "As approved data say."));
}

// codeBox is a box for a scanner, which types and ends with Enter; it takes the next scan at once. A separator arrives as Ctrl+], which
// would type nothing.
function codeBox(title, take) {
  const box = el("input", { id: "scan", autocomplete: "off", spellcheck: "false", onkeydown: (event) => {
    if (!(event.ctrlKey && event.key === "]")) return;
    event.preventDefault();
    box.setRangeText("\x1d", box.selectionStart, box.selectionEnd, "end");
  } });
  const entered = (event) => {
    event.preventDefault();
    const code = box.value.trim();
    box.value = "";
    take(code);
  };
  setTimeout(() => box.focus());
  return el("form", { onsubmit: entered }, el("label", { for: "scan" }, title), box);
}

function scanBox() {
  const answer = el("div", { id: "scanned", role: "status" });
  const box = codeBox("Scan or type a code", (code) => {
    answer.replaceChildren();
    attempt(async () => answer.replaceChildren(...saidOf(await get("/v1/lots:parseScan?code=" + encodeURIComponent(code)))));
  });
  return [box, answer];
}

function saidOf(scan) {
  const what = scan.lot ? `${scan.lot.shortCode}, ${last(scan.item)}, lot ${scan.lot.manufacturerLot || "mixed here"}: ${amount(scan.lot.onHand)}` : scan.elementText;
  const verb = (a) => el("li", {}, `${a.allowed ? "✓" : "✕"} ${a.verb}${a.explanation ? ": " + a.explanation : ""}`);
  const verdict = scan.usable ? chip("USABLE") : el("span", { class: "chip bad" }, "■ " + scan.reason.replaceAll("_", " "));
  return [el("p", {}, verdict, " " + what), el("p", {}, scan.explanation), ...scan.warnings.map((w) => el("p", {}, w.explanation)),
    el("ul", {}, ...scan.actions.map(verb))];
}

const pages = {
  async engines() {
    const [engines, found] = await Promise.all([get("/v1/engines?pageSize=1000"), get("/v1/assessments?pageSize=1000")]);
    const byEngine = new Map(found.assessments.map((a) => [a.engine, a]));
    const rows = engines.engines.map((e) => {
      const a = byEngine.get(e.name);
      return [link("engine/" + last(e.name), e.serial), last(e.aircraft) + (e.position ? ", " + e.position : ""), chip(a && a.level), a ? a.summary : "No readings yet."];
    });
    return [el("h2", {}, "Engines"), table("Every engine and what its readings say", ["Engine", "Fitted to", "Condition", "In words"], rows, "No engine was added yet. A planner adds one.")];
  },
  async engine(id) {
    const name = "engines/" + encodeURIComponent(id);
    const [engine, trend, recoveries] = await Promise.all([
      get("/v1/" + name), get(`/v1/${name}/trend`), get(`/v1/${name}/recoveries`),
    ]);
    const hours = (Number(engine.counters.operatingSeconds) / 3600).toFixed(1);
    const rows = recoveries.recoveries.map((r) => [instant(r.washTime), chip(r.verdict), r.explanation, r.workOrder ? link("order/" + last(r.workOrder), "order") : "before the suite"]);
    return [
      el("h2", {}, "Engine " + engine.serial), el("p", {}, `${hours} h and ${engine.counters.cycles} cycles since new. ${trend.summary}`), drawTrend(trend),
      el("p", {}, "Baseline: " + trend.baseline), files(name), table("What the washes recovered", ["Wash", "Verdict", "In words", "Order"], rows, "No wash is on the time line."),
      table("The newest readings", ["Read", "Used", "ITT deviation, °C"], trend.points.slice(-15).reverse()
        .map((p) => [instant(p.readTime), p.state, p.deviation ? p.deviation.ittC.toFixed(1) : "–"]), "No readings yet."),
    ];
  },
  async orders() {
    const found = await get("/v1/workOrders?pageSize=200");
    const rows = found.workOrders.map((o) => [link("order/" + last(o.name), o.number), o.displayName, o.engineSerial, chip(o.state), o.hold ? "on hold: " + o.hold.reason : "", instant(o.planStartTime),
      (o.origin && o.origin.reasons.join("; ")) || "by hand"]);
    return [el("h2", {}, "Orders"), table("Work orders, newest first", ["Number", "Work", "Engine", "State", "Hold", "Planned", "Why"], rows, "No order yet. Advice and due items draft them.")];
  },
  async order(id) {
    const name = "workOrders/" + encodeURIComponent(id);
    const [order, steps, compared] = await Promise.all([get("/v1/" + name), get(`/v1/${name}/steps?pageSize=200`), get(`/v1/${name}:compare?showAll=true`)]);
    const done = steps.steps.map((s) => [String(s.position), s.title, s.state, last(s.performer) || "–", instant(s.completeTime)]);
    const lines = (compared.comparisons || []).map((c) => [c.label, c.plannedText, c.doneText, c.differs ? chip("DIFFERS") : "as planned", c.toleranceText || "–"]);
    return [el("h2", {}, `Order ${order.number}`), el("p", {}, chip(order.state), ` ${order.displayName}, engine ${order.engineSerial}`, order.hold ? `. On hold: ${order.hold.reason}` : ""),
      nextStep(order, steps.steps), packs(name), el("p", {}, link("work/" + id, "Do the work"), " ", link("issue/" + id, "Issue stock")),
      table("Plan and what was done", ["What", "Planned", "Done", "Verdict", "Tolerance"], lines, "Nothing was done yet that a plan could be compared with."),
      table("Steps", ["Step", "What", "State", "By", "At"], done, "The card has no steps.")];
  },
  async work(id, _, step) {
    const again = async (told) => {
      await show();
      if (told && !message.textContent) message.textContent = "✓ " + told;
      scrollTo(0, 0);
    };
    return workPage({ get, call, send: sender(call), el, link, chip, table, last, instant, Refused, again, session: () => session }, id, step);
  },
  async shelf() {
    const found = await get("/v1/lots?pageSize=1000");
    const rows = found.lots.map((l) => [l.shortCode, link("item/" + last(l.item), last(l.item)), l.manufacturerLot || "mixed here", chip(l.state), amount(l.onHand), amount(l.reserved), instant(l.expireTime), l.lifeRule,
      label(l)]);
    return [el("h2", {}, "Shelf list"), ...scanBox(), table("Lots", ["Code", "Item", "Lot", "State", "On hand", "Claimed", "Usable until", "Rule", "Print"], rows, "Nothing was received yet.")];
  },
  async item(id) {
    return itemPage({ get, el, table, chip, amount, date, instant }, "items/" + encodeURIComponent(id));
  },
  async receive() {
    return [el("h2", {}, "Receiving"), ...(await receiving({ get, call, el, table, amount, instant, codeBox, label, Refused }))];
  },
  async issue(id) {
    return [el("h2", {}, "Issue desk"), ...issueDesk({ get, call, el, table, amount, last, instant, codeBox, Refused }, id)];
  },
  async account() {
    return accountPage({ get, call, el, table, instant, attempt }, session, async () => { session = await get("/v1/sessions/current"); await show(); });
  },
};
Object.assign(pages, planning({ get, call, el, link, table, chip, date, instant, last, attempt, Refused }));
const titles = { engines: "Engines", orders: "Orders", ...planningTitles, shelf: "Shelf list", receive: "Receiving", issue: "Issue desk" };

let shows = 0; // a page that comes late does not take the place of one that was asked for after it

async function show() {
  const [path, asked] = (location.hash.replace(/^#\//, "") || "engines").split("?");
  const [asksFor, id, ...more] = path.split("/");
  const name = session && session.secondFactorDue ? "account" : asksFor;
  if (asksFor === "invitation") return invitation(id);
  if (!session) return name === "break-glass" ? envelope() : signIn();
  navigation(name);
  try {
    const turn = ++shows, made = await (pages[name] || pages.engines)(id, new URLSearchParams(asked), ...more);
    if (turn !== shows) return;
    await watch();
    if (turn !== shows) return;
    page.replaceChildren(...made);
    message.textContent = "";
  } catch (e) {
    if (!(e instanceof Refused)) throw e;
    if (e.status === 401) { session = null; return signIn(); }
    message.textContent = e.message;
  }
}

// watch shows the alarm, and says it anew only when it changed.
async function watch() {
  const turn = shows, warned = session ? await emergency({ get, el, instant, last, Refused }, session) : [];
  if (turn === shows && alarm.textContent !== warned.map((w) => w.textContent).join("")) alarm.replaceChildren(...warned);
}

// watching looks each minute, and when somebody comes back to the page; what can't be read now is read the next time.
const watching = () => watch().catch((e) => { if (!(e instanceof Refused)) throw e; });

function navigation(current) {
  document.getElementById("nav").replaceChildren(...Object.entries(titles).map(([name, title]) =>
    el("a", { href: "#/" + name, "aria-current": name === current ? "page" : undefined }, title)));
  const out = el("button", { type: "button", onclick: async () => { await call("POST", "/v1/sessions:signOut", {}); session = null; signIn(); } }, "Sign out");
  document.getElementById("who").replaceChildren(session.displayName + " ", el("a", { class: "mine", href: "#/account", "aria-current": current === "account" ? "page" : undefined }, "My account"), " ", out);
}

function form(title, button, fields, submit) {
  shows++;
  document.getElementById("nav").replaceChildren();
  document.getElementById("who").replaceChildren();
  alarm.replaceChildren();
  const inputs = fields.map((f) => el("input", { id: f.name, name: f.name, type: f.type, autocomplete: f.autocomplete, inputmode: f.inputmode, required: f.optional ? undefined : "" }));
  const rows = fields.flatMap((f, i) => [el("label", { for: f.name }, f.label), inputs[i]]);
  page.replaceChildren(el("h2", {}, title), el("form", {
    onsubmit: async (event) => {
      event.preventDefault();
      try {
        session = await submit(...inputs.map((i) => i.value));
        message.textContent = "";
        location.hash = "#/engines";
        show();
      } catch (e) {
        if (!(e instanceof Refused)) throw e;
        message.textContent = e.message;
        const code = page.querySelector("#code");
        if (code && (e.reason || "").startsWith("SECOND_FACTOR")) code.focus();
      }
    },
  }, ...rows, el("p", {}, el("button", {}, button))));
  inputs[0].focus();
}

// signIn asks for login and password, and for the code of the second factor where there is one; or leads to the provider.
async function signIn() {
  form("Sign in", "Sign in", [
    { name: "login", label: "Login", type: "text", autocomplete: "username" },
    { name: "password", label: "Password", type: "password", autocomplete: "current-password" },
    { name: "code", label: "Code of the second factor, if you have one", type: "text", autocomplete: "one-time-code", optional: true },
  ], (login, password, code) => call("POST", "/v1/sessions:signIn", { login, password, code }));
  page.append(el("p", {}, link("break-glass", "Nobody can sign in: open the break-glass envelope")));
  const turn = shows, ways = await get("/v1/sessions:describeSignIn").catch((e) => { if (e instanceof Refused) return {}; throw e; });
  if (ways.signInPath && turn === shows) page.querySelector("form").after(el("p", {}, el("a", { id: "provider", class: "button", href: ways.signInPath }, `Sign in with ${ways.providerName}`)));
}

// envelope opens the break-glass account, for whoever holds its sealed secret.
function envelope() {
  form("Break-glass envelope", "Open a session for one hour", [
    { name: "secret", label: "Secret in the envelope; it works once", type: "text", autocomplete: "off" },
    { name: "opener", label: "Your own login", type: "text", autocomplete: "username" },
    { name: "reason", label: "Why it is opened, at least ten characters", type: "text", autocomplete: "off" },
  ], (secret, opener, reason) => call("POST", "/v1/breakGlass:open", { secret, opener, reason }));
  page.querySelector("h2").after(el("p", { class: "caution" }, "Only when nobody can sign in. Quality and administrators are told at once, and another person reviews what is done."));
  page.append(el("p", {}, link("engines", "Back to the sign-in")));
}

const invitation = (token) => form("Choose a password", "Choose and sign in", [
  { name: "password", label: "New password, at least 12 characters", type: "password", autocomplete: "new-password" },
], (password) => call("POST", "/v1/invitations:accept", { token, password }));

addEventListener("hashchange", show);
addEventListener("focus", watching);
setInterval(watching, 60_000);
try { session = await get("/v1/sessions/current"); } catch (e) { if (!(e instanceof Refused)) throw e; }
show();
