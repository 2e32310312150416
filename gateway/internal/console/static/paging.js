// A list a page at a time. Where it goes on stands in the address, beside the filters and the order that are asked for: the browser's ways back and forward,
// a reload and the keyboard then lead where they say, and no list is cut off without a word.
import { Refused, get } from "/api.js";
import { el } from "/dom.js";

// few are the rows of a page, and many those for who prints a list or searches in it.
const few = 50, many = 1000;

// The page before is known where the person came by it: tokens lead only forward.
const place = "coldsection-pages";
const trail = () => JSON.parse(sessionStorage.getItem(place) || "{}");
function came(token, from) {
  const known = Object.entries({ ...trail(), [token]: from }).slice(-400);
  sessionStorage.setItem(place, JSON.stringify(Object.fromEntries(known)));
}

// address is this page's with other values of some of what it asks for; an empty one is left out.
function address(asked, values) {
  const all = new URLSearchParams(asked);
  for (const [name, value] of Object.entries(values)) if (value) all.set(name, value); else all.delete(name);
  const said = all.toString();
  return location.hash.split("?")[0] + (said ? "?" + said : "");
}

// read asks for one page. A token that counts no more, such as one of another filter or of somebody else, leads to the first page, which says so.
async function read(path, size, token) {
  const of = (t) => get(`${path}${path.includes("?") ? "&" : "?"}pageSize=${size}&pageToken=${encodeURIComponent(t)}`);
  try { return { found: await of(token), lost: false }; } catch (e) {
    if (!(e instanceof Refused) || e.reason !== "PAGE_TOKEN_INVALID" || !token) throw e;
    return { found: await of(""), lost: true };
  }
}

// ways are the links to the pages beside this one.
function ways(asked, at, names, { first, end, next, lost, token, many: full }) {
  const before = trail()[token], leads = (title, values, rel) => el("a", { href: address(asked, values), rel }, title), at_ = (values) => ({ [names.from]: values[0], [names.row]: values[1] });
  const links = [token && !lost ? leads("First", at_(["", ""])) : null, before ? leads("Previous", at_([before.token, before.first > 1 ? String(before.first) : ""]), "prev") : null,
    next ? leads("Next", at_([next, String(end + 1)]), "next") : null, next && !full ? leads(`Up to ${many} on a page`, { ...at_(["", ""]), rows: String(many) }) : full ? leads(`${few} on a page`, { ...at_(["", ""]), rows: "" }) : null].filter(Boolean);
  if (next) came(next, { token: lost ? "" : token, first });
  return el("nav", { class: "pages", "aria-label": `Pages of the list: ${at}` }, el("p", {}, lost ? "The list was asked for anew, so its first page is shown. " : "", `Shown: ${at}. `), ...links);
}

// paged reads the page of a list that the address asks for: its rows, which of all they are, and the links to the others, which stand under the table. A page of two lists
// gives the second one a name, as each goes on by itself.
export async function paged(path, asked, { field = path.split("?")[0].split("/").pop(), called = "" } = {}) {
  const names = { from: called + "from", row: called + "row" }, full = asked.get("rows") === String(many), token = asked.get(names.from) || "";
  const { found, lost } = await read(path, full ? many : few, token), rows = found[field] || [], next = found.nextPageToken;
  const first = token && !lost ? Math.max(1, Number(asked.get(names.row)) || 1) : 1, end = first + rows.length - 1;
  const at = !rows.length ? "none" : first === 1 && !next ? `all ${rows.length}` : `${first} to ${end}${next ? ", and more follow" : ` of ${end}`}`;
  const alone = first === 1 && !next && !full && !lost;
  return { rows, at, ways: alone ? null : ways(asked, at, names, { first, end, next, lost, token, many: full }) };
}

// ordered is a list's path with a filter and an order.
export function ordered(path, filter, orderBy) {
  const said = [filter && "filter=" + encodeURIComponent(filter), orderBy && "orderBy=" + encodeURIComponent(orderBy)].filter(Boolean).join("&");
  return path + (said ? "?" + said : "");
}
