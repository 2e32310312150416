// Receiving: a delivery is scanned or its item chosen, the inspection is answered question by question, and it is booked in, held. Below waits what
// is held: whoever may clears it, another person where the item wants that.
import { Refused, all, call, get, has, newKey } from "/api.js";
import { changing } from "/busy.js";
import { amount, choice, codeBox, date, dayOf, decimal, el, field, hazards, instant, label, table } from "/dom.js";
import { batchOf, names } from "/names.js";

const answers = [["YES", "Yes"], ["NO", "No"], ["NOT_APPLICABLE", "Does not apply"]];

// hashOf is the SHA-256 of a file, hex; null in a browser that gives pages over plain HTTP no cryptography.
async function hashOf(file) {
  if (!globalThis.crypto.subtle) return null;
  const sum = new Uint8Array(await crypto.subtle.digest("SHA-256", await file.arrayBuffer()));
  return [...sum].map((b) => b.toString(16).padStart(2, "0")).join("");
}

const textOf = (d) => (d && d.year ? date(d) : "");

export async function receiving() {
  const { inWords, itemOf, lotOf } = names();
  const said = el("p", { id: "said", role: "alert" }), delivery = el("section", { id: "delivery", "aria-label": "Delivery" }), waiting = el("div", { id: "waiting" });
  const [items, places] = await Promise.all([all("/v1/items"), all("/v1/locations")]);
  const stores = places.filter((l) => l.kind === "BIN" || l.kind === "HOLD_AREA");

  function say(good, ...text) {
    said.className = good ? "good" : "bad";
    said.replaceChildren(good ? "✓ " : "✕ ", ...text);
  }
  async function attempt(action) {
    try { await action(); } catch (e) {
      if (!(e instanceof Refused)) throw e;
      say(false, await inWords(e.message));
    }
  }

  // sending makes one change of a form, and then has the next scan.
  const sending = (title, change) => (event) => {
    event.preventDefault();
    changing(title, change, () => delivery.childElementCount || document.getElementById("scan").focus(), async (e) => say(false, await inWords(e.message)));
  };

  // questions are the inspection as boxes to choose from; none is answered beforehand, so that nothing is answered by overlooking it.
  function questions(list, prefix) {
    const sets = list.map((question, i) => {
      const radios = answers.map(([value, text]) => [el("input", { type: "radio", name: `${prefix}${i}`, id: `${prefix}${i}-${value}`, value }), text]);
      return [question, radios.map(([input]) => input), el("fieldset", {}, el("legend", {}, question),
        ...radios.map(([input, text]) => el("label", { for: input.id, class: "choice" }, input, text)))];
    });
    const given = () => sets.map(([question, inputs]) => ({ question, answer: (inputs.find((i) => i.checked) || {}).value })).filter((a) => a.answer);
    return [given, ...sets.map(([, , set]) => set)];
  }

  // begin asks for the delivery of an item, with what its code said filled in.
  function begin(item, draft, quantity) {
    const lot = (draft && draft.lot) || {}, key = newKey();
    const batch = field("batch", "Manufacturer's batch", { value: lot.manufacturerLot || "", maxlength: "40" });
    const useBy = field("use-by", "Last usable day", { type: "date", value: textOf(lot.useByDate) });
    const made = field("made", "Made on", { type: "date", value: textOf(lot.manufactureDate) });
    const much = field("much", `Amount, ${item.baseUnitCode}`, { inputmode: "decimal", required: "", value: quantity && quantity.unitCode === item.baseUnitCode ? quantity.value : "" });
    const place = choice("place", "Where it waits", stores.map((l) => [l.name, l.displayName]));
    const number = field("certificate", item.certificateRequired ? "Certificate number, required" : "Certificate number", { maxlength: "80" });
    const file = field("certificate-file", "Certificate file; its hash is kept", { type: "file" });
    const [given, ...asked] = questions(item.receivingQuestions || [], "question");
    async function entered() {
      const certificate = number.value() ? { number: number.value() } : undefined;
      if (file.box.files[0] && !certificate) throw new Refused("A certificate file needs its number. Type the number that is on it.");
      if (file.box.files[0]) {
        const hash = await hashOf(file.box.files[0]);
        if (!hash) throw new Refused("This browser gives no hash over plain HTTP. Open the console over HTTPS, or leave the file out.");
        certificate.contentSha256 = hash;
      }
      const done = await call("POST", "/v1/lots:receive", {
        lot: { item: item.name, manufacturerLot: batch.value(), certificate, ...(useBy.value() ? { useByDate: dayOf(useBy.value()) } : {}), ...(made.value() ? { manufactureDate: dayOf(made.value()) } : {}) },
        quantity: { value: decimal(much.value()), unitCode: item.baseUnitCode }, location: place.value(), answers: given(),
      }, key);
      delivery.replaceChildren();
      say(true, `Booked in: ${item.displayName}, ${batchOf(done)}, code ${done.shortCode}. It is held: ${done.holdReason}. `, label(done));
      await showWaiting().catch((e) => { if (!(e instanceof Refused)) throw e; }); // it is booked in, whatever becomes of the list
    }
    delivery.replaceChildren(el("h3", {}, item.displayName),
      hazards(item),
      el("form", { onsubmit: sending("Book in", entered) }, ...much.nodes, ...batch.nodes, ...useBy.nodes, ...made.nodes, ...place.nodes, ...number.nodes, ...file.nodes, ...asked,
        el("p", {}, el("button", {}, "Book in"))));
    much.box.focus();
  }

  async function scanned(code, newest) {
    const scan = await get("/v1/lots:parseScan?code=" + encodeURIComponent(code));
    if (!newest()) return;
    const verb = scan.actions.find((a) => a.verb === "RECEIVE");
    if (!scan.receiveDraft) return say(false, await inWords(verb && verb.explanation ? verb.explanation : scan.explanation || "This code names no delivery. Choose the item below the box."));
    const item = await get("/v1/" + scan.item);
    if (!newest()) return;
    begin(item, scan.receiveDraft, scan.quantity);
    say(true, `${scan.elementText || code}. Compare it with the paper, and answer what is asked.`);
  }

  // clearing asks what is left of a lot's inspection and clears it.
  async function clearing(lot) {
    const item = await get("/v1/" + lot.item), key = newKey();
    const open = (item.receivingQuestions || []).filter((q) => !(lot.answers || []).some((a) => a.question === q && a.answer !== "NO"));
    const [given, ...asked] = questions(open, "left");
    const bin = choice("bin", "Put it in", [["", "where it is"], ...stores.filter((l) => l.kind === "BIN").map((l) => [l.name, l.displayName])]);
    async function entered() {
      const done = await call("POST", `/v1/${lot.name}:clear`, { etag: lot.etag, answers: given(), ...(bin.value() ? { location: bin.value() } : {}) }, key);
      delivery.replaceChildren();
      say(true, `Cleared: ${await lotOf(done.name)}, ${amount(done.onHand)}, usable until ${instant(done.expireTime)}.`);
      await showWaiting();
    }
    delivery.replaceChildren(el("h3", {}, `Clear ${item.displayName}, ${batchOf(lot)}, code ${lot.shortCode}`),
      el("p", { class: "caution" }, `It is held: ${lot.holdReason}.` + (item.secondPersonClears ? " Another person than who received it clears it." : "")),
      el("form", { onsubmit: sending("Clear", entered) }, ...asked, ...bin.nodes, el("p", {}, el("button", {}, "Clear"))));
    delivery.querySelector("input, select").focus();
  }

  async function showWaiting() {
    const held = await all("/v1/lots?filter=" + encodeURIComponent('state = "HELD"'), "lots");
    const rows = await Promise.all(held.map(async (lot) => [lot.shortCode, await itemOf(lot.item), batchOf(lot), amount(lot.onHand), await inWords(lot.holdReason), label(lot),
      has("stores") ? el("button", { type: "button", onclick: () => attempt(() => clearing(lot)) }, "Clear") : "stores clear it"]));
    waiting.replaceChildren(table("Held, and waiting to be cleared", ["Code", "Item", "Batch", "On hand", "Why", "Print", "Next"], rows, "Nothing is held."));
  }

  const chosen = choice("item", "Or choose the item", [["", "–"], ...items.filter((i) => i.kind !== "BLEND").map((i) => [i.name, i.displayName])]);
  chosen.box.addEventListener("change", () => chosen.value() && begin(items.find((i) => i.name === chosen.value())));
  await showWaiting();
  if (!has("stores")) return [el("p", {}, "Stores book in what arrives, and clear it."), waiting];
  return [codeBox("Scan the supplier's code", (code, newest) => code && attempt(() => scanned(code, newest))), ...chosen.nodes, said, delivery, waiting];
}
