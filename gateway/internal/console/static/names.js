// What people call things. Sentences of the API name lots, items and places as the API does; whoever stands before a shelf reads the item, the
// manufacturer's batch and the short code that is on the label.
import { Refused, all, get, otherwise } from "/api.js";
import { last } from "/dom.js";

// batchOf is what the manufacturer calls a lot, or that it was made here.
export function batchOf(lot) {
  if (lot.manufacturerLot) return "batch " + lot.manufacturerLot;
  return (lot.parents || []).length || lot.productionRun ? "made here" : "no batch number";
}

// calledOf gives what people call each of a list, by the field that has it, and not the id that programs know; of what this person may not read, the id.
export async function calledOf(path, field = "displayName") {
  const known = new Map((await otherwise(all(path), [])).map((t) => [t.name, t[field]]));
  return (name) => known.get(name) || last(name);
}

// registered is that of aircraft: the registration that is painted on it.
export const registered = () => calledOf("/v1/aircraft", "registration");

export function names() {
  const known = new Map();
  // once reads what is read in vain too once only: what nobody finds keeps the name that the sentence gives it.
  function once(path) {
    if (!known.has(path)) known.set(path, get(path).catch((e) => { if (e instanceof Refused) return null; throw e; }));
    return known.get(path);
  }
  async function placeOf(name) {
    const found = await once("/v1/locations?pageSize=1000");
    const place = found && found.locations.find((l) => l.name === name);
    return place ? place.displayName : name;
  }
  async function itemOf(name) {
    const item = await once("/v1/" + name);
    return item ? item.displayName : name;
  }
  async function lotOf(name) {
    const lot = await once("/v1/" + name);
    return lot ? `${lot.shortCode} (${await itemOf(lot.item)}, ${batchOf(lot)})` : name;
  }
  const kinds = { lots: lotOf, items: itemOf, locations: placeOf };
  // inWords puts what people call them for the names of lots, items and places in a sentence.
  async function inWords(text) {
    const found = [...new Set((text || "").match(/\b(?:lots|items|locations)\/[a-z0-9-]*[a-z0-9]/g))];
    const words = new Map(await Promise.all(found.map(async (name) => [name, await kinds[name.split("/")[0]](name)])));
    return (text || "").replace(/\b(?:lots|items|locations)\/[a-z0-9-]*[a-z0-9]/g, (name) => words.get(name));
  }
  return { inWords, itemOf, lotOf, placeOf };
}
