// Signing: the exact text and its hash are shown first, the person proves to be at the keyboard, and just that text is signed. A text that
// changed meanwhile is refused by the service and shown anew.
import { Refused, current, get, otherwise, send } from "/api.js";
import { changing } from "/busy.js";
import { choice, dayOf, decimal, el, field } from "/dom.js";
import { proofFor } from "/proof.js";

// asks are what a kind of signature may say beyond what the record holds: its box, and how it goes into the call.
const asks = {
  inspect: { label: "Only if you took part in the work yourself: the reason why you inspect it all the same. It is recorded and counted.", key: "exceptionReason", of: (text) => text },
  release: { label: "Ordered work that was not done, one a line", key: "notDone", rows: "3", of: (text) => text.split("\n").map((l) => l.trim()).filter(Boolean) },
};

const query = (key, value) => [value].flat().filter(Boolean).map((v) => `&${key}=${encodeURIComponent(v)}`).join("");

const passed = "INSPECTION_RESULT_AIRWORTHY", failed = "INSPECTION_RESULT_NOT_AIRWORTHY";

// outcome asks what an inspection came to, where the regime of the order has words for one that was not passed: its list of discrepancies has a date.
async function outcome(verb, regime) {
  const r = verb === "release" ? await otherwise(get("/v1/" + (regime || "regimes/general")), {}) : {};
  if (!r.notAirworthyText) return { nodes: [], boxes: [], lacks: () => false, body: () => ({}), query: () => "" };
  const result = choice("inspection-result", "What the inspection came to", [["", "Choose: nothing is signed before"], [passed, "passed, in the words of the regime"], [failed, "NOT PASSED: the owner is given the list of what is wrong"]]);
  const day = field("list-date", "Not passed: date of the list of discrepancies", { type: "date" }), listed = () => (result.value() === failed && day.value() ? dayOf(day.value()) : null);
  return { nodes: [...result.nodes, ...day.nodes], boxes: [result.box, day.box], lacks: () => !result.value(), body: () => (result.value() ? { inspectionResult: result.value(), ...(listed() ? { discrepancyListDate: listed() } : {}) } : {}),
    query: () => (result.value() ? `&inspectionResult=${result.value()}${Object.entries(listed() || {}).map(([k, v]) => `&discrepancyListDate.${k}=${v}`).join("")}` : "") };
}

// totals asks who signs for the work for the aircraft's total time, where the regime has it in the entry: nobody could release the order without it.
async function totals(verb, regime) {
  const r = verb === "finish" ? await otherwise(get("/v1/" + (regime || "regimes/general")), {}) : {};
  if (!r.totalTimeRequired) return { nodes: [], body: () => ({}) };
  const box = field("total-time", "The aircraft's total time in service, h, as its log has it", { inputmode: "decimal" });
  return { nodes: box.nodes, body: () => {
    const hours = Number(decimal(box.value()));
    if (!(hours > 0)) throw new Refused("Type the aircraft's total time in service in hours, such as 4120.5: the entry states it, and nobody releases the order without it.");
    return { endCounters: { aircraftSeconds: String(Math.round(hours * 3600)) } };
  } };
}

// signing is the panel in which an order or a step is signed with a verb of the API; say puts into words what the API names.
export async function signing(again, name, title, meaning, verb, { regime, say = (text) => text } = {}) {
  const step = name.includes("/steps/"), ask = asks[verb], came = await outcome(verb, regime), total = await totals(verb, regime);
  const text = el("pre", { class: "statement", id: "statement" }), hash = el("code", { id: "hash" }), missing = el("div", { id: "missing" });
  const said = el("p", { class: "refusal", role: "alert" }), more = ask && field("more", ask.label, { rows: ask.rows, maxlength: "400" });
  const button = el("button", { class: "large" }, title), extra = () => ({ ...(more && more.value() ? { [ask.key]: ask.of(more.value()) } : {}), ...came.body() });
  let shown = null, proof = null, turn = 0;
  const look = () => { button.disabled = came.lacks() || missing.childElementCount > 0 || !proof.ready(); };

  // show reads what would be signed by what is chosen now; an answer that comes after a newer question is let go.
  async function show() {
    const mine = ++turn;
    if (came.lacks()) {
      shown = null;
      text.textContent = "Say first what the inspection came to; the text that you sign stands here then.";
      hash.textContent = "";
      missing.replaceChildren();
      return;
    }
    const made = await get(`/v1/${name}:previewSignature?meaning=${meaning}` + (ask ? query(ask.key, extra()[ask.key]) : "") + came.query());
    if (mine !== turn) return;
    shown = made;
    text.textContent = shown.statement;
    hash.textContent = shown.contentHash;
    missing.replaceChildren(...(shown.missing && shown.missing.length ? [el("p", {}, "First:"), el("ul", {}, ...shown.missing.map((m) => el("li", {}, say(m))))] : []));
  }
  // anew shows it anew; meanwhile nothing can be signed, as the text above is not what would be.
  async function anew() {
    const mine = turn + 1; // show takes the next turn at once
    button.disabled = true;
    try { await show(); } catch (e) {
      if (!(e instanceof Refused)) throw e;
      if (mine === turn) said.textContent = "✕ " + e.message;
      return; // what stands above is not what would be signed
    }
    if (mine === turn) look();
  }
  async function sign() {
    const counted = total.body(), given = await proof.prove();
    const body = { ...counted, reauthenticationToken: given.reauthenticationToken, contentHash: shown.contentHash, ...extra() };
    await send(`/v1/${name}:${verb}`, step ? body : { ...body, etag: shown.etag });
  }
  async function submitted(event) {
    event.preventDefault();
    if (button.disabled) return; // such as by Enter, while the text that would be signed is read anew
    said.textContent = "";
    await changing(title, sign, () => again("Signed."), (e) => {
      said.textContent = "✕ " + e.message;
      if (!e.unsent) anew();
      else look();
    }, event.target);
  }
  for (const box of [more && more.box, ...came.boxes].filter(Boolean)) box.addEventListener("change", anew);
  await show();
  proof = await proofFor(current(), () => shown);
  look();
  return el("section", { id: "sign", class: "job" }, el("h3", {}, title), ...came.nodes, el("p", {}, "You sign exactly this:"), text, el("p", {}, "SHA-256 of what is signed: ", hash), missing,
    el("form", { onsubmit: submitted }, ...(more ? more.nodes : []), ...total.nodes, ...proof.nodes, el("p", {}, button)), said);
}
