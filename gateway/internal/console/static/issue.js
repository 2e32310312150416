// The issue desk: an order is scanned, then each thing that goes out for it, then how much. It works without a mouse: the box for
// scans has the keys unless an amount is asked for, and what is typed anywhere else goes to the one of them that is open.

import { Refused, all, call, get, has, newKey } from "/api.js";
import { amount, codeBox, decimal, el, hazards, instant, last, link, table } from "/dom.js";
import { batchOf, names } from "/names.js";

// fast is the longest mean time between the keys of a scanner, in milliseconds, and many the fewest keys that are judged by it.
const fast = 30, many = 5;

// isCode tells a scan, however slowly it came, by what it says: it ends with the code of the lot that is shown, or it is a number without a point that is as long as the shortest code on a label.
const isCode = (typed, lot) => typed.endsWith(lot.shortCode) || /^\d{7,}$/.test(typed);

// sound tells who does not look at the screen how it went: high for done, low and long for refused.
function sound(good) {
  try {
    const audio = new AudioContext(), tone = audio.createOscillator();
    tone.frequency.value = good ? 880 : 220;
    tone.connect(audio.destination);
    tone.start();
    tone.stop(audio.currentTime + (good ? 0.1 : 0.5));
    tone.onended = () => audio.close();
  } catch { /* a browser without sound still shows it */ }
}

export function issueDesk(preset) {
  const { inWords, itemOf, lotOf, placeOf } = names();
  const said = el("p", { id: "said", role: "alert" }), needs = el("div", { id: "needs" });
  const handout = el("section", { id: "handout", role: "dialog", "aria-label": "How much goes out", hidden: "" });
  let order = null, busy = false;

  function say(good, text) {
    said.className = good ? "good" : "bad";
    said.textContent = (good ? "✓ " : "✕ ") + text;
    sound(good);
  }
  // run does one thing at a time; what comes in meanwhile is refused, not queued behind what nobody sees.
  async function run(action) {
    if (busy) return say(false, "The last scan is still looked up. Scan again.");
    busy = true;
    try { await action(); } catch (e) {
      if (!(e instanceof Refused)) throw e;
      say(false, await inWords(e.message));
    } finally { busy = false; target().focus(); }
  }
  const target = () => (handout.hidden ? document.getElementById("scan") : handout.querySelector("#amount")) || document.body;

  async function orderOf(code) {
    const named = /(?:workOrders|order)\/([A-Za-z0-9-]+)$/.exec(code);
    if (named) return get("/v1/workOrders/" + named[1]);
    const found = await get("/v1/workOrders?filter=" + encodeURIComponent(`number = ${JSON.stringify(code)}`));
    return found.workOrders[0];
  }
  async function pick(code) {
    const found = await orderOf(code);
    if (!found) return say(false, `No order has the number ${code}. Scan the code on the order's sheet, or type its number.`);
    order = found;
    await showNeeds();
    say(true, `Order ${order.number}, ${order.displayName}, engine ${order.engineSerial}. Scan what goes out.`);
  }
  async function showNeeds() {
    const wanted = (await get("/v1/stockDemands?filter=" + encodeURIComponent(`work_order = "${order.name}"`))).stockDemands;
    const rows = await Promise.all(wanted.map(async (d) => {
      const open = Number(d.needed.value) - Number(d.issued.value);
      const item = await itemOf(d.item);
      if (open <= 0) return [item, amount(d.needed), amount(d.issued), "all went out", ""];
      const advice = await get(`/v1/${d.item}:suggestLots?quantityValue=${open.toFixed(6)}&quantityUnitCode=${encodeURIComponent(d.needed.unitCode)}` +
        `&workOrder=${encodeURIComponent(order.name)}&needTime=${encodeURIComponent(d.needTime)}`);
      const take = await Promise.all(advice.suggestions.map(async (s) => `${amount(s.quantity)} of ${await lotOf(s.lot)} at ${await placeOf(s.location)}`));
      const more = advice.skipped.length > 5 ? [{ explanation: `${advice.skipped.length - 5} more lots were passed over.` }] : [];
      const why = await inWords([...advice.suggestions, ...advice.skipped.slice(0, 5), ...more].map((s) => s.explanation).join(" "));
      return [item, amount(d.needed), amount(d.issued), take.join("; ") || "nothing is usable", why];
    }));
    needs.replaceChildren(table(`What order ${order.number} needs`, ["Item", "Needed", "Went out", "Take", "Why"], rows, "Stores know of no need of this order. Schedule it first."),
      el("p", {}, el("a", { href: `/v1/stockDemands:renderIssueSlip?workOrder=${encodeURIComponent(order.name)}`, download: "" }, "Issue slip, PDF"), " ", link("mix/" + last(order.name), "Mix for this order")));
  }

  async function why(scan) {
    const verb = scan.actions.find((a) => a.verb === "ISSUE");
    const text = verb && !verb.allowed && verb.explanation ? verb.explanation : scan.usable ? `Order ${order.number} needs no more of ${scan.item}. Put it back.` : scan.explanation;
    return inWords([text, ...scan.warnings.map((w) => w.explanation)].join(" "));
  }
  async function lot(code) {
    const scan = await get(`/v1/lots:parseScan?code=${encodeURIComponent(code)}&workOrder=${encodeURIComponent(order.name)}`);
    const verb = scan.actions.find((a) => a.verb === "ISSUE"), other = verb && verb.reason === "LOT_NOT_FIRST_TO_EXPIRE";
    if (!scan.issueDraft && !other) return say(false, await why(scan));
    const warnings = await Promise.all(scan.warnings.map((w) => inWords(w.explanation)));
    ask({ ...scan, warnings }, await get("/v1/" + scan.item), scan.issueDraft || { name: scan.lot.name, quantity: { value: "", unitCode: scan.lot.onHand.unitCode } }, other);
    if (other) say(false, await why(scan));
  }

  // ask shows what the thing can do to people before how much of it goes out; one that is not the first to take needs a reason.
  function ask(scan, item, draft, other) {
    const key = newKey(), unit = draft.quantity.unitCode;
    let keys = [];
    const field = el("input", { id: "amount", autocomplete: "off", inputmode: "decimal", value: draft.quantity.value, onkeydown: (e) => { if (e.key.length === 1) keys.push(e.timeStamp); } });
    const reason = el("input", { id: "reason", autocomplete: "off", maxlength: "400" });
    const refuse = (text) => { keys = []; field.value = ""; say(false, text); field.focus(); };
    const entered = (event) => {
      event.preventDefault();
      const typed = field.value.trim(), scanned = keys.length >= many && (keys.at(-1) - keys[0]) / (keys.length - 1) < fast;
      const value = decimal(typed);
      if (scanned || isCode(typed, scan.lot) || !/^\d+(\.\d+)?$/.test(value)) return refuse(`“${typed}” is no amount; this box takes how many ${unit} go out. Type that, or press Escape and scan again.`);
      keys = [];
      run(() => issue(draft, { value, unitCode: unit }, reason.value.trim(), key));
    };
    handout.replaceChildren(
      el("h3", {}, `${item.displayName}, ${batchOf(scan.lot)}, code ${scan.lot.shortCode}`),
      hazards(item),
      ...scan.warnings.map((w) => el("p", { class: "caution" }, w)),
      el("p", {}, `Usable until ${instant(scan.lot.expireTime)}; ${amount(scan.lot.onHand)} on hand.`),
      el("form", { onsubmit: entered }, el("label", { for: "amount" }, `Amount, ${unit}`), field,
        ...(other ? [el("label", { for: "reason" }, "Reason to take this one all the same"), reason] : []),
        el("p", {}, el("button", {}, "Issue"), " ", el("button", { type: "button", class: "back", onclick: () => { close(); target().focus(); } }, "Back"), " Enter issues, Escape goes back.")));
    handout.hidden = false;
    said.className = said.textContent = "";
    field.focus();
    field.select();
  }
  function close() {
    handout.hidden = true;
    handout.replaceChildren();
  }
  async function issue(draft, quantity, overrideReason, key) {
    const body = { workOrder: order.name, quantity, ...(overrideReason ? { overrideReason } : {}) };
    const done = await call("POST", `/v1/${draft.name}:issue`, body, key);
    close();
    const lot = await lotOf(done.lot).catch((e) => { if (!(e instanceof Refused)) throw e; return "the lot"; }); // it went out, whatever can be read now
    say(true, `${amount(quantity)} of ${lot} went out to ${order.number}; ${amount(done.remaining)} of the lot is left.`);
    await showNeeds().catch((e) => { if (!(e instanceof Refused)) throw e; });
  }

  // showOpen is what waits before an order is scanned: every order that something has still to go out for, by the time it is needed.
  async function showOpen() {
    const orders = await all("/v1/workOrders?filter=" + encodeURIComponent(["SCHEDULED", "STARTED"].map((s) => `state = ${s}`).join(" OR ")));
    const wanted = (await all("/v1/stockDemands")).filter((d) => Number(d.needed.value) > Number(d.issued.value));
    const rows = await Promise.all(orders.map((o) => [o, wanted.filter((d) => d.workOrder === o.name)]).filter(([, list]) => list.length)
      .toSorted(([, a], [, b]) => a[0].needTime.localeCompare(b[0].needTime))
      .map(async ([o, list]) => [link("issue/" + last(o.name), o.number), o.displayName, o.engineSerial, instant(list[0].needTime), (await Promise.all(list.map(async (d) => `${amount(d.needed)} of ${await itemOf(d.item)}`))).join("; ")]));
    if (!order) needs.replaceChildren(table("Orders that something must go out for", ["Order", "Work", "Engine", "Needed by", "What"], rows, "Nothing has to go out now."));
  }

  const box = codeBox("Scan the order, then what goes out for it", (code) => {
    if (code) run(() => (order && !/order/i.test(code) && !/^WO-/.test(code) ? lot(code) : pick(code)));
  });
  const root = el("div", { id: "desk" }, has("stores") ? box : el("p", {}, "Stores issue what is needed. What has to go out stands here."), said, handout, needs);
  const keys = (event) => {
    if (!root.isConnected) return document.removeEventListener("keydown", keys);
    if (event.key === "Escape" && !handout.hidden) {
      close();
      return target().focus();
    }
    const typing = event.key.length === 1 && !event.ctrlKey && !event.altKey && !event.metaKey;
    if (typing && document.activeElement.tagName !== "INPUT") target().focus();
  };
  document.addEventListener("keydown", keys);
  if (preset) run(() => pick("order/" + preset));
  else showOpen().catch((e) => { if (!(e instanceof Refused)) throw e; say(false, e.message); });
  return [root];
}
