// Facts of one service that could not take effect in another, for administrators: why, and what to do. The service tries each again by itself.
import { has, send } from "/api.js";
import { chip, el, field, fold, instant, last, table } from "/dom.js";
import { paged } from "/paging.js";
import { pressing } from "/press.js";

function deciding(act, fact) {
  const reason = field("why-" + last(fact.name), "Why, at least ten letters", { maxlength: "400" });
  return el("div", {}, act("Try it now", () => send(`/v1/${fact.name}:retry`, {}), "It took effect."),
    fold("Give it up", el("p", {}, "It then never takes effect in this service. Put right by hand first what it would have changed."), ...reason.nodes,
      act("Give it up for good", () => send(`/v1/${fact.name}:discard`, { reason: reason.value() }), "Given up; those behind it go on.")));
}

export async function parkedPage(again, asked) {
  const facts = await paged("/v1/parkedFacts", asked), act = pressing(again);
  const rows = facts.rows.map((f) => [f.type, f.subject || "–", f.consumer, chip(f.state), instant(f.parkTime), f.reason || "–", f.state === "PARKED" && has("admin") ? deciding(act, f) : f.discardReason || "–"]);
  return [el("h2", {}, "Parked facts"), el("p", {}, "What one service said and another could not take. What comes after it about the same resource waits behind it; everything else goes on."),
    table(`Parked and given up, oldest first: ${facts.at}`, ["Fact", "About", "Parked in", "State", "Since", "Why", "What now"], rows, "Nothing is parked: every fact took effect."), facts.ways].filter(Boolean);
}
