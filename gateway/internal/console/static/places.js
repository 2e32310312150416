// Places: the stations where work is done, with zone, starter's power and weather to plan for; and where stores keep things.
import { change, get, has, send } from "/api.js";
import { el, last, link, table } from "/dom.js";
import { entering, filled, idOf, numberBox, pickBox, textBox } from "/entry.js";
import { ordered, paged } from "/paging.js";

const degrees = (w) => (w ? `${w.lowestExpectedC} °C${w.source ? ", " + w.source : ""}` : "–");

// boxes are those of a station, new or as it is.
function boxes(s) {
  return { name: textBox("station.display_name", "station-name", "Name, as people call it", { value: s.displayName, maxlength: "120" }),
    zone: textBox("station.time_zone", "station-zone", "Time zone", { value: s.timeZone || Intl.DateTimeFormat().resolvedOptions().timeZone, maxlength: "64", hint: "By its IANA name, such as Europe/Oslo. Dates of signatures are counted in it." }),
    power: textBox("station.power_source", "station-power", "What turns the starter here", { value: s.powerSource, maxlength: "40", hint: "As the wash data of your engine models call it, such as battery or ground-unit: it decides which limits of the starter a wash plan keeps." }),
    cold: numberBox("station.weather.lowest_expected_c", "station-cold", "Lowest air temperature to plan for, °C", s.weather && s.weather.lowestExpectedC, { hint: "From mixing to the end of the drying run. Empty: each order says its own." }),
    source: textBox("station.weather.source", "station-source", "Where that temperature is from", { value: s.weather && s.weather.source, maxlength: "200" }) };
}

const valuesOf = (b) => filled({ displayName: b.name.value(), timeZone: b.zone.value(), powerSource: b.power.value(),
  weather: b.cold.value() === undefined ? undefined : filled({ lowestExpectedC: b.cold.value(), source: b.source.value() }) });

const may = () => has("planner", "admin");

export async function stationsPage(again, id, asked) {
  if (id) return stationPage(again, id);
  const stations = await paged("/v1/stations", asked), b = boxes({});
  const add = entering("station-form", "Add the station", Object.values(b), async () => {
    const values = valuesOf(b), made = await send("/v1/stations?stationId=" + encodeURIComponent(idOf(b.name.value())), values);
    return `${made.displayName} is added.`;
  }, again);
  return [el("h2", {}, "Stations"), table(`Where work is done: ${stations.at}`, ["Station", "Time zone", "Starter's power", "Planned for"],
    stations.rows.map((s) => [link("stations/" + last(s.name), s.displayName), s.timeZone, s.powerSource || "–", degrees(s.weather)]), "No station yet: without one no work can be scheduled."), stations.ways,
  may() ? el("section", { class: "job" }, el("h3", {}, "Add a station"), add) : el("p", {}, "A planner or an administrator adds stations.")].filter(Boolean);
}

async function stationPage(again, id) {
  const s = await get("/v1/stations/" + encodeURIComponent(id)), b = boxes(s);
  const save = async () => { await change(s, { displayName: "", timeZone: "", powerSource: "", weather: undefined, ...valuesOf(b) }); return "The station is changed."; };
  return [el("h2", {}, s.displayName), el("p", {}, "Orders that are planned here take the new values when they are planned anew; plans of work that was started stay as they are."),
    has("planner", "technician", "admin") ? el("section", { class: "job" }, entering("station-form", "Save", Object.values(b), save, again))
      : table("The station", ["What", "As recorded"], [["Time zone", s.timeZone], ["Starter's power", s.powerSource || "–"], ["Planned for", degrees(s.weather)]], ""),
    el("p", {}, link("stations", "All stations"))];
}

const kinds = [["BIN", "shelf or bin: usable stock"], ["HOLD_AREA", "hold area: what waits to be cleared"]];

// storesPage are the places in stores, and a form for another.
export async function storesPage(again, asked) {
  const found = await paged(ordered("/v1/locations", kinds.map(([k]) => `kind = ${k}`).join(" OR ")), asked), name = textBox("location.display_name", "place-name", "Name, as on the shelf", { maxlength: "120" }), kind = pickBox("location.kind", "place-kind", "What it is", kinds);
  const zone = textBox("location.time_zone", "place-zone", "Time zone", { value: Intl.DateTimeFormat().resolvedOptions().timeZone, maxlength: "64", hint: "Its last usable days end at midnight there." });
  const add = entering("place-form", "Add the place", [name, kind, zone], async () => {
    const id = idOf(name.value()), made = await send("/v1/locations" + (id ? "?locationId=" + id : ""), filled({ displayName: name.value(), kind: kind.value(), timeZone: zone.value() }));
    return `${made.displayName} is added.`;
  }, again);
  return [el("h2", {}, "Places in stores"), table(`Where stores keep things: ${found.at}`, ["Place", "Is", "Time zone"], found.rows.map((l) => [l.displayName, kinds.find(([k]) => k === l.kind)[1], l.timeZone || "–"]), "No place yet: nothing can be received."), found.ways,
    has("stores") ? el("section", { class: "job" }, el("h3", {}, "Add a place"), add) : el("p", {}, "Stores add places."), el("p", {}, link("receive", "Receiving"))].filter(Boolean);
}
