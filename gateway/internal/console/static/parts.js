// Parts: modules, discs and accessories that are known by their serial numbers, each with its counters, its life and where it was before.
import { all, get, otherwise } from "/api.js";
import { chip, date, el, last, link, table } from "/dom.js";
import { entryRecord } from "/correcting.js";
import { paged } from "/paging.js";
import { counters, document_, lifeHeads, lifeRows } from "/standing.js";

const hours = (seconds) => `${(Number(seconds || 0) / 3600).toFixed(1)} h`;

// hostsOf says what people call the engines and parts that others are fitted to.
async function hostsOf() {
  const engines = new Map((await otherwise(all("/v1/engines"), [])).map((e) => [e.name, e.serial]));
  return (name) => (!name ? "in stores" : name.startsWith("engines/") ? link("engine/" + last(name), "engine " + (engines.get(name) || last(name))) : link("parts/" + last(name), "part " + last(name)));
}

export async function partsPage(again, id, asked) {
  if (id) return onePart(again, id);
  const [parts, host] = await Promise.all([paged("/v1/components", asked), hostsOf()]);
  return [el("h2", {}, "Parts"), table(`Parts that are known by their serial numbers: ${parts.at}`, ["Part", "Name", "On", "Counters", "Life"],
    parts.rows.map((p) => [link("parts/" + last(p.name), `${p.partNumber} ${p.serial}`), p.displayName, host(p.host), counters(p.counters), p.lifeLimited ? "leaves service at a limit" : "–"]), "No part yet."), parts.ways, el("p", { class: "take" }, link("lives", "Life limits"))].filter(Boolean);
}

async function onePart(again, id) {
  const p = await get("/v1/components/" + encodeURIComponent(id)), called = `${p.displayName} ${p.partNumber}, serial ${p.serial}`;
  const [life, host, record] = await Promise.all([p.lifeLimited ? otherwise(get(`/v1/${p.name}/lifeStatus`), null) : null, hostsOf(), entryRecord(again, p, called)]);
  const before = (p.history || []).map((h) => [h.engineSerial, last(h.engineModel) || "–", String(h.installCycles), String(h.removeCycles), String(h.starts || 0), hours(h.operatingSeconds), date(h.removeDate), h.documentReference || "–"]);
  return [el("h2", {}, `Part ${p.partNumber} ${p.serial}`), el("p", {}, life ? chip(life.band) : "", ` ${p.displayName}, `, p.host ? "on " : "", host(p.host), p.position ? `, ${p.position}` : "", ". ", p.counters ? counters(p.counters) + "." : "Its counters were never entered."),
    life ? table("Its life", lifeHeads, lifeRows([life]), "") : null, life && (life.lines || []).length ? el("ol", {}, ...life.lines.map((l) => el("li", {}, l))) : null, life && life.document ? el("p", {}, "By " + document_(life.document)) : null,
    table("Where it was before it was added", ["Engine", "Model", "On at, cycles", "Off at, cycles", "Starts", "Hours", "Taken off", "Shown by"], before, "Nothing is recorded of before."),
    el("section", { class: "job", id: "part-record" }, el("h3", {}, "Its record"), ...record), el("p", { class: "take" }, link("parts", "All parts"), " ", link("lives", "Life limits"))].filter(Boolean);
}
