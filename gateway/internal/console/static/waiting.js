// Entries that wait for a connection. Every entry is on this device's disk, with its key, before it is sent, and leaves it only when the suite
// has it or the person who made it takes it back. It is sent again under the same key until an answer came, so that it happens once. What is
// refused meanwhile stays, with the reason, until that person looked at it; nothing is merged and nothing is dropped.
//
// Readings, acknowledged cautions, steps that are done and starter runs wait so. Signatures, findings, issues and releases never do: they need
// the suite's answer while the person stands there.
import { Refused, call, current, get, newKey, nowText, otherwise } from "/api.js";
import { addEntry, allEntries, canKeep, keepSeen, putEntry, seenKey, seenOnce, settle } from "/keep.js";
import { arrived } from "/overlay.js";

const listeners = new Set();
// onEntries calls a function whenever entries came, went or changed.
export const onEntries = (f) => listeners.add(f);
const changed = async () => { for (const f of listeners) await f(); };

const stepOf = (path) => (/workOrders\/[^/:]+\/steps\/[^/:]+/.exec(path) || [])[0];

// mine are the entries of who is signed in, oldest first; those of others on the same device are neither shown nor sent.
export async function mine(order) {
  const who = (current() || {}).account;
  return (await allEntries()).filter((e) => e.account === who && (!order || e.order === order)).sort((a, b) => a.id - b.id);
}

// held says whether an entry comes after one of the same step that has not arrived.
const held = (entry, before) => before.some((e) => e.step && e.step === entry.step);

// over says whether an answer settles nothing: the entry is sent again later.
const later = (e) => e.unsent || e.status === 401 || e.status === 408 || e.status === 429 || e.status >= 500;

// turns counts the entries that arrived, so that who reads an order meanwhile can tell that it has to be read again.
let turns = 0;
export const arrivals = () => turns;

// remember keeps what arrived with the order as this device has it.
async function remember(entry, answer) {
  const key = seenKey(entry.account, entry.order), seen = await seenOnce(key);
  if (seen) await keepSeen(key, arrived(seen.value, entry, answer), seen.time);
  turns++;
}

async function sendOne(entry, rest) {
  try {
    const answer = await call("POST", entry.path, entry.body, entry.key);
    await remember(entry, answer);
    // What follows on the same step was made over the etag before; it goes on from the one that its forerunner brought.
    const next = answer.etag ? rest.filter((e) => e.follows === entry.id).map((e) => ({ ...e, body: { ...e.body, etag: answer.etag }, follows: undefined })) : [];
    next.forEach((e) => Object.assign(rest.find((r) => r.id === e.id), e));
    await settle(entry.id, next);
    return true;
  } catch (e) {
    if (!(e instanceof Refused)) throw e;
    if (later(e)) throw e;
    await putEntry(Object.assign(entry, { state: "REFUSED", said: e.message, reason: e.reason }));
    return false;
  }
}

async function sendAll() {
  const entries = await mine(), stuck = [];
  for (let i = 0; i < entries.length; i++) {
    const entry = entries[i];
    if (entry.state === "REFUSED" || held(entry, stuck)) stuck.push(entry);
    else if (!await sendOne(entry, entries.slice(i + 1))) stuck.push(entry);
  }
}

// alone lets one tab of the browser send at a time.
const alone = (f) => (navigator.locks ? navigator.locks.request("coldsection-entries", f) : f());

// flush sends what waits, as far as it comes. It says what stopped it, if anything did.
export async function flush() {
  if (!current() || !current().csrfToken) return null;
  try {
    await alone(sendAll);
    return null;
  } catch (e) {
    if (!(e instanceof Refused)) throw e;
    return e;
  } finally { await changed(); }
}

// enter keeps a change and sends it. It gives words for the person when the entry waits, and refuses as the suite did when it refused at once:
// then nothing is kept, because the person is still at the form.
export async function enter(order, path, body, title) {
  if (!await canKeep()) { await call("POST", path, body, newKey()); return ""; }
  const step = stepOf(path) || body.step || "";
  const before = (await mine(order)).filter((e) => stepOf(e.path) === step).at(-1);
  const entry = { account: current().account, order, step, path, body, title, key: newKey(), made: nowText(), state: "WAITING",
    ...(before && body.etag ? { follows: before.id } : {}) };
  const id = await addEntry(entry), stopped = await flush(), left = (await mine(order)).find((e) => e.id === id);
  if (!left) return "";
  if (left.state === "REFUSED") {
    await settle(id, []);
    await changed();
    throw Object.assign(new Refused(left.said), { reason: left.reason });
  }
  const why = !stopped ? "It waits for an entry before it that needs your eyes." : stopped.status === 401 ? "Sign in again to send it." : "It is sent when the connection is back.";
  return `◐ ${title}: kept on this device. ${why}`;
}

// again sends a refused entry as one made now, over what the suite holds now.
export async function again(entry, more = {}) {
  const at = entry.body.etag && await there(entry);
  await putEntry({ ...entry, ...more, key: newKey(), state: "WAITING", said: undefined, reason: undefined,
    body: { ...entry.body, ...more.body, ...(at ? { etag: at.etag } : {}) } });
  return flush();
}

export const discard = async (entry) => { await settle(entry.id, []); await changed(); };

// there is what the suite holds where an entry belongs: the step, or the reading of the same key.
export async function there(entry) {
  const measures = entry.body.key && entry.path.endsWith("/measurements");
  const found = await otherwise(get(`/v1/${entry.order}/${measures ? "measurements" : "steps"}?pageSize=1000`), {});
  return measures ? (found.measurements || []).find((m) => m.step === entry.step && m.key === entry.body.key && !m.successor)
    : (found.steps || []).find((s) => s.name === entry.step);
}
