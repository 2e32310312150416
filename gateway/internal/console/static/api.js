// The public REST API, as every page asks it; who is signed in; and what the suite's clock says.

// Refused is an answer that says no, or that no answer came (unsent).
export class Refused extends Error {}

let session = null;
export const current = () => session;
export const setCurrent = (s) => { session = s; };
// owners are those whose things an account sees that is limited to them; none sees everything.
export const owners = () => (session && session.owners) || [];
export const has = (...roles) => Boolean(session) && session.roles.some((r) => roles.includes(r));

// ahead is by how many milliseconds the suite's clock goes before this device's. An answer's Date has whole seconds, cut off, so the largest
// that was seen is nearest to the truth and never above it: nothing that waits for an instant of the suite comes too early by it. A difference
// of more than two seconds means that one of the clocks was set.
const clocks = "coldsection-clock"; // what was heard last, for a start without a connection
let ahead = Number(localStorage.getItem(clocks)), heard = localStorage.getItem(clocks) !== null;
function hear(header) {
  const said = Date.parse(header || "");
  if (Number.isNaN(said)) return;
  const now = said - Date.now(), before = ahead;
  ahead = heard && Math.abs(now - ahead) < 2000 ? Math.max(ahead, now) : now;
  if (ahead !== before || !heard) localStorage.setItem(clocks, String(ahead));
  heard = true;
}
export const clockAhead = () => ahead;
// clockKnown says whether the suite's clock was ever heard on this device.
export const clockKnown = () => heard;
// suiteNow is the suite's time in milliseconds, as well as this device knows it.
export const suiteNow = () => Date.now() + ahead;
// nowText is that time as the API takes it.
export const nowText = () => new Date(suiteNow()).toISOString();

// patience is for how many milliseconds an answer is waited for. A connection that is there and gives none would keep the page shut for minutes.
const patience = { GET: 45_000, other: 90_000 };

// call asks the API. Nothing comes from the browser's store: an etag stays the same when the units change or stock moves.
export async function call(method, path, body, key, unattended) {
  const headers = { Accept: "application/json" };
  if (unattended) headers["Coldsection-Unattended"] = "1"; // asked by the page itself, which keeps no session alive
  if (key) headers["Idempotency-Key"] = key;
  if (body) headers["Content-Type"] = "application/json";
  if (session && method !== "GET") headers["X-CSRF-Token"] = session.csrfToken;
  const answer = await fetch(path, { method, headers, body: body && JSON.stringify(body), credentials: "same-origin", cache: "no-store", signal: AbortSignal.timeout(patience[method] || patience.other) }).catch(() => { throw unanswered(); });
  const text = await answer.text().catch(() => { throw unanswered(); });
  hear(answer.headers.get("Date"));
  const value = read(text);
  if (!answer.ok) throw Object.assign(new Refused(value.detail || value.title || answer.statusText || `The answer was ${answer.status}.`), { status: answer.status, reason: value.reason, violations: value.violations || [], metadata: value.metadata || {} });
  return value;
}

// read takes an answer that is no JSON, such as that of a machine between, for one without words.
function read(text) {
  try { return text ? JSON.parse(text) : {}; } catch { return {}; }
}

// unanswered is said when no answer came: whether the call arrived isn't known, and a repeat of the same is safe.
function unanswered() {
  return Object.assign(new Refused("No connection: there was no answer. Try again when it is back; what did arrive happens once."), { unsent: true });
}

export const get = (path) => call("GET", path);

// all reads a list to its end. What a page can't show anyway, beyond most rows, is not asked for.
export async function all(path, field = path.split("?")[0].split("/").pop(), most = 5000) {
  const rows = [];
  for (let token = ""; ;) {
    const found = await get(`${path}${path.includes("?") ? "&" : "?"}pageSize=1000&pageToken=${encodeURIComponent(token)}`);
    rows.push(...(found[field] || []));
    token = found.nextPageToken;
    if (!token || rows.length >= most) return rows;
  }
}

// otherwise gives a fallback for what this person may not read or what is not there.
export const otherwise = (promise, fallback) => promise.catch((e) => {
  if (e instanceof Refused && (e.status === 403 || e.status === 404)) return fallback;
  throw e;
});

// newKey names one change, so that sending it twice does it once.
export function newKey() {
  const hex = [...crypto.getRandomValues(new Uint8Array(16))].map((b) => b.toString(16).padStart(2, "0")).join("");
  return `${hex.slice(0, 8)}-${hex.slice(8, 12)}-4${hex.slice(13, 16)}-a${hex.slice(17, 20)}-${hex.slice(20)}`;
}

let renew = null;
// renewBy takes what has somebody sign in once more, whose session ended while they were at a page.
export const renewBy = (ask) => { renew = ask; };

// send makes a change under a key of its own. The same change sent again, because no answer came or the session had ended, goes under the same key.
let kept = {};
export async function send(path, body, method = "POST") {
  const text = method + path + JSON.stringify(body);
  if (kept.text !== text) kept = { text, key: newKey() };
  const { key } = kept;
  try { return await call(method, path, body, key); } catch (e) {
    if (e.status !== 401 || !session || !renew) throw e;
    await renew();
    return call(method, path, body, key);
  }
}

// change sets just these fields of a thing that was read, unless somebody else changed it meanwhile.
export const change = (thing, values) => send(`/v1/${thing.name}?updateMask=${Object.keys(values).join(",")}`, { name: thing.name, etag: thing.etag, ...values }, "PATCH");
