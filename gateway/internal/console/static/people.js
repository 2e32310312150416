// People and what they are authorized to sign for, each with its days and its reference. Quality grants and suspends; everybody may read.
import { all, has, nowText, send } from "/api.js";
import { chip, choice, date, dayOf, el, field, fold, last, link, table } from "/dom.js";
import { paged } from "/paging.js";
import { pressing } from "/press.js";

// scopes are what the suite itself asks for; a task card may ask for others.
const scopes = [["perform", "perform: does the work and signs it"], ["inspect", "inspect: inspects independently"], ["release", "release: releases to service"], ["ground-run", "ground-run: runs the engine"],
  ["reinspect-own-work", "reinspect-own-work: the recorded exception"], ["", "another one, that a task card asks for"]];

export async function peoplePage(again, id, asked) {
  if (id) return personPage(again, id);
  const people = await paged("/v1/people", asked);
  return [el("h2", {}, "People"), table(`Who signs, inspects and releases: ${people.at}`, ["Name", "Licence or certificate"], people.rows.map((p) => [link("people/" + last(p.name), p.displayName), p.certificate || "none on record"]),
    "Nobody yet. An administrator adds people with their accounts."), people.ways].filter(Boolean);
}

function granting(act, name) {
  const today = nowText().slice(0, 10);
  const scope = choice("scope", "For what", scopes), other = field("scope-other", "Another one, as the task card names it", { maxlength: "63" }), models = field("scope-models", "Engine models, with commas; empty is all", { maxlength: "400" });
  const from = field("scope-from", "From", { type: "date", value: today }), until = field("scope-until", "Last day", { type: "date" }), seen = field("scope-seen", "Last experience on", { type: "date" }), reference = field("scope-reference", "Reference", { maxlength: "120" });
  const day = (key, f) => (f.value() ? { [key]: dayOf(f.value()) } : {});
  const list = () => models.value().split(",").map((m) => m.trim()).filter(Boolean).map((m) => (m.includes("/") ? m : "engineModels/" + m));
  return fold("Grant an authorization", ...scope.nodes, ...other.nodes, ...models.nodes, ...from.nodes, ...until.nodes, ...seen.nodes, ...reference.nodes,
    act("Grant it", () => send(`/v1/${name}/authorizations`, { scope: scope.value() || other.value(), engineModels: list(), reference: reference.value(), ...day("startDate", from), ...day("endDate", until), ...day("lastExperienceDate", seen) }), "Granted."));
}

function suspending(act, a) {
  const reason = field("suspend-" + last(a.name), "Why", { maxlength: "400" });
  return fold("Suspend it", ...reason.nodes, act("Suspend it", () => send(`/v1/${a.name}:suspend`, { etag: a.etag, reason: reason.value() }), "Suspended. What was signed before stays as it is."));
}

async function personPage(again, id) {
  const name = "people/" + encodeURIComponent(id), [people, held] = await Promise.all([all("/v1/people"), all(`/v1/${name}/authorizations`)]);
  const person = people.find((p) => p.name === "people/" + id) || { displayName: id }, act = pressing(again);
  const rows = held.map((a) => [a.scope, (a.engineModels || []).map(last).join(", ") || "all models", chip(a.state), date(a.startDate), date(a.endDate), date(a.lastExperienceDate), a.reference || "–",
    a.suspendReason || (has("quality") && a.state !== "SUSPENDED" ? suspending(act, a) : "–")]);
  return [el("h2", {}, person.displayName), el("p", {}, person.certificate || "No licence or certificate is on record."), has("quality") ? granting(act, name) : null,
    table("Authorizations, as of today", ["For", "Engine models", "State", "From", "Last day", "Last experience", "Reference", "Suspended"], rows, "None: this person can sign nothing. Quality grants authorizations here."),
    el("p", {}, link("people", "All people"))].filter(Boolean);
}
