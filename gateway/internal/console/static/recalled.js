// A recall that is taken back: what it lets go is looked at first, lot by lot. None of it is usable by that; each is cleared by itself.
import { Refused, get, has, otherwise, send } from "/api.js";
import { amount, el, fold, last, link, table } from "/dom.js";
import { entering, textBox, wrong } from "/entry.js";
import { batchOf, names } from "/names.js";
import { pressing } from "/press.js";

const most = 60; // lots that are read one by one; of more it is said how many
const nothing = (q) => !q || !Number(q.value);

// family are the lots that a recall of this one blocked: its batch's deliveries and all that was made of any of them, each with what is left of it.
async function family(lot) {
  const way = (name) => get(`/v1/${name}:trace?direction=FORWARD`), first = await way(lot.name);
  const traces = [first, ...await Promise.all(((lot.parents || []).length ? [] : first.batchLots || []).map(way))];
  const left = new Map(traces.flatMap((t) => t.balanceLines || []).map((b) => [b.lot, !nothing(b.onHand) || !nothing(b.issuedUnused)]));
  const recalled = traces.flatMap((t) => t.nodes || []).filter((n) => n.state === "RECALLED").map((n) => n.lot);
  return { all: new Set(traces.flatMap((t) => (t.nodes || []).map((n) => n.lot))), left, recalled: [...new Set(recalled)] };
}

// after is what becomes of one of them. What another recalled lot is in as well stays recalled.
async function after(of, name, called) {
  const lot = await get("/v1/" + name), back = await get(`/v1/${name}:trace?direction=BACKWARD`);
  const other = (back.nodes || []).find((n) => n.state === "RECALLED" && !of.all.has(n.lot));
  const then = other ? ["■ stays recalled: it is made of ", link("lot/" + last(other.lot), await called(other.lot)), " too"] : of.left.get(name) ? ["◐ on hold, until it is cleared by itself"] : ["– emptied: nothing of it is left"];
  return [link("lot/" + last(name), lot.shortCode), `${last(lot.item)}, ${batchOf(lot)}`, amount(lot.onHand), el("span", {}, ...then)];
}

// second is the look at what is let go, and the press that does it.
async function second(again, lot, reason) {
  const of = await family(lot), { lotOf } = names(), rows = await Promise.all(of.recalled.slice(0, most).map((name) => after(of, name, lotOf)));
  const button = pressing(again)("Take the recall back", async () => {
    await send(`/v1/${lot.name}:withdrawRecall`, { etag: lot.etag, reason });
    return "◐ The recall is taken back. Nothing of it is usable yet: each lot is cleared by itself, as after a delivery.";
  });
  return [table("What becomes of what it blocked", ["Code", "What", "On hand", "Then"], rows, "Nothing is recalled any more."), of.recalled.length > most ? el("p", {}, `${of.recalled.length - most} more lots are let go with it.`) : "",
    el("p", { class: "caution" }, "CAUTION: after this, whoever clears a lot makes it usable. Take it back only if the recall named the wrong lot or its maker withdrew it."), button];
}

// blocked says on what a refusal rests, with the way there.
const blocked = (e, place) => otherwise(get("/v1/" + e.metadata.origin), null).then((l) => place.replaceChildren(el("p", {}, "Its recall is taken back there: ", link("lot/" + last(e.metadata.origin), l ? "lot " + l.shortCode : last(e.metadata.origin)), ".")));

// withdrawing is for quality, on a lot that is recalled.
export function withdrawing(again, lot) {
  if (lot.state !== "RECALLED" || !has("quality")) return null;
  const place = el("div", { id: "let-go", "aria-live": "polite" }), why = textBox("reason", "withdraw-why", "Why it is taken back, such as its maker's letter", { rows: "2", maxlength: "400" });
  why.box.addEventListener("input", () => place.replaceChildren()); // what was looked at goes with the reason that stood there
  return fold("Take the recall back", entering("withdraw-form", "Look at what it lets go", [why], async () => {
    place.replaceChildren();
    if (!why.value()) throw wrong("reason", "Say why it is taken back.");
    try { await send(`/v1/${lot.name}:withdrawRecall`, { etag: lot.etag, reason: why.value(), validateOnly: true }); } catch (e) {
      if (!(e instanceof Refused)) throw e;
      if (e.metadata.origin) await blocked(e, place);
      throw Object.assign(e, { message: await names().inWords(e.message) });
    }
    return second(again, lot, why.value());
  }, (shown) => {
    place.replaceChildren(...shown);
    place.querySelector("button").focus();
  }), place);
}
