// Signing: the exact text and its hash are shown first, the person proves to be at the keyboard, and just that text is signed. A text that
// changed meanwhile is refused by the service and shown anew.
import { Refused, current, get, send } from "/api.js";
import { el, field } from "/dom.js";
import { proofFor } from "/proof.js";

// asks are what a kind of signature may say beyond what the record holds: its box, and how it goes into the call.
const asks = {
  inspect: { label: "Only if you took part in the work yourself: the reason why you inspect it all the same. It is recorded and counted.", key: "exceptionReason", of: (text) => text },
  release: { label: "Ordered work that was not done, one a line", key: "notDone", rows: "3", of: (text) => text.split("\n").map((l) => l.trim()).filter(Boolean) },
};

const query = (key, value) => [value].flat().filter(Boolean).map((v) => `&${key}=${encodeURIComponent(v)}`).join("");

// signing is the panel in which an order or a step is signed with a verb of the API.
export async function signing(again, name, title, meaning, verb) {
  const step = name.includes("/steps/"), ask = asks[verb];
  const text = el("pre", { class: "statement", id: "statement" }), hash = el("code", { id: "hash" }), missing = el("div", { id: "missing" });
  const said = el("p", { class: "refusal", role: "alert" }), more = ask && field("more", ask.label, { rows: ask.rows, maxlength: "400" });
  const button = el("button", { class: "large" }, title), extra = () => (more && more.value() ? { [ask.key]: ask.of(more.value()) } : {});
  let shown = null, proof = null;
  const look = () => { button.disabled = missing.childElementCount > 0 || !proof.ready(); };

  async function show() {
    shown = await get(`/v1/${name}:previewSignature?meaning=${meaning}` + (ask ? query(ask.key, extra()[ask.key]) : ""));
    text.textContent = shown.statement;
    hash.textContent = shown.contentHash;
    missing.replaceChildren(...(shown.missing && shown.missing.length ? [el("p", {}, "First:"), el("ul", {}, ...shown.missing.map((m) => el("li", {}, m)))] : []));
  }
  async function sign() {
    const given = await proof.prove();
    const body = { reauthenticationToken: given.reauthenticationToken, contentHash: shown.contentHash, ...extra() };
    await send(`/v1/${name}:${verb}`, step ? body : { ...body, etag: shown.etag });
    await again("Signed.");
  }
  async function submitted(event) {
    event.preventDefault();
    button.disabled = true;
    said.textContent = "";
    try { await sign(); } catch (e) {
      if (!(e instanceof Refused)) throw e;
      said.textContent = "✕ " + e.message;
      if (!e.unsent) await show().catch(() => {});
    } finally { look(); }
  }
  if (more) more.box.addEventListener("change", () => show().then(look).catch((e) => { said.textContent = "✕ " + e.message; }));
  await show();
  proof = await proofFor(current(), () => shown);
  look();
  return el("section", { id: "sign", class: "job" }, el("h3", {}, title), el("p", {}, "You sign exactly this:"), text, el("p", {}, "SHA-256 of what is signed: ", hash), missing,
    el("form", { onsubmit: submitted }, ...(more ? more.nodes : []), ...proof.nodes, el("p", {}, button)), said);
}
