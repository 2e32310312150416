// Accounts: who may sign in, and as what; for administrators. A person who signs is a person and an account, made in one go here. Quality gives
// people the authorizations that signatures need.
import { all, call, current, get, has, newKey, otherwise, send } from "/api.js";
import { chip, choice, el, field, fold, instant, last, link, table, tick } from "/dom.js";
import { paged } from "/paging.js";
import { pressing } from "/press.js";

// roles are what accounts may do, in words.
const roles = [["technician", "Technician: does the work, records and signs it"], ["inspector", "Inspector: another person, who inspects and signs"], ["releaser", "Releaser: signs the release"],
  ["stores", "Stores: receives, issues, counts, recalls"], ["planner", "Planner: what is due, schedules, assigns"], ["quality", "Quality: authorizations, requirements, the record"],
  ["analyst", "Analyst: engine models, readings, trend"], ["admin", "Administrator: accounts"], ["viewer", "Viewer: reads"], ["integrator", "Integrator: another system"], ["agent", "Agent: a program that reads and drafts"]];

const ticks = (given) => roles.map(([role, text]) => ({ role, ...tick("role-" + role, text, given.includes(role)) }));
const chosen = (boxes) => boxes.filter((b) => b.box.checked).map((b) => b.role);

// shown is the place of what is shown once: an invitation's link, or a key's secret.
const once = (title, secret, hint) => [el("p", {}, el("strong", {}, title)), el("p", {}, el("code", { id: "once", class: "once" }, secret)), el("p", {}, hint)];

const invited = async (account, place) => {
  const made = await call("POST", `/v1/${account}:invite`, {}, newKey());
  place.replaceChildren(...once("The link for the person, once, until " + instant(made.expireTime), `${location.origin}/#/invitation/${made.token}`,
    "Give it to them by a way that nobody else reads. They choose a password there, and are in."));
};

// hiring makes an account, the person whom it signs for, and the invitation.
function hiring(again, place) {
  const name = field("new-name", "Name, as others see it", { maxlength: "120" }), login = field("new-login", "Login, lower case", { maxlength: "63", autocapitalize: "none" });
  const kind = choice("new-kind", "What it is for", [["HUMAN", "a person"], ["MACHINE", "another system, by a key"]]), boxes = ticks([]);
  let human = true, made = null;
  const act = pressing(async () => { // once it is made: the page anew, and on it what is shown once
    await again("The account is made.");
    if (human) await invited(made.name, place()); else location.hash = "#/accounts/" + last(made.name);
  });
  const make = async () => {
    human = kind.value() === "HUMAN";
    const id = login.value().replace(/[^a-z0-9-]/g, "-");
    const known = human && await otherwise(get("/v1/people/" + id), null);
    const person = !human ? null : known || await send("/v1/people?personId=" + encodeURIComponent(id), { displayName: name.value() });
    made = await send("/v1/accounts", { login: login.value(), displayName: name.value(), kind: kind.value(), roles: chosen(boxes), ...(person ? { person: person.name } : {}) });
  };
  return fold("Add an account", ...name.nodes, ...login.nodes, ...kind.nodes, el("fieldset", {}, el("legend", {}, "What it may do"), ...boxes.map((b) => b.node)), act("Make the account", make, ""));
}

export async function accountsPage(again, id, asked) {
  if (id) return accountOf(again, id);
  const accounts = await paged("/v1/accounts", asked), rows = accounts.rows.map((a) => [link("accounts/" + last(a.name), a.displayName), a.login, a.roles.join(", ") || "none", chip(a.state), a.kind === "MACHINE" ? "system" : "person",
    a.breakGlass ? "the break-glass account" : a.issuer ? "signs in by the provider" : a.secondFactor ? "second factor" : "–"]);
  const place = () => document.getElementById("shown-once");
  return [el("h2", {}, "Accounts"), el("div", { id: "shown-once", role: "status" }), has("admin") ? hiring(again, place) : null,
    table(`Who may sign in: ${accounts.at}`, ["Name", "Login", "Roles", "State", "Is", "Also"], rows, "No account yet."), accounts.ways].filter(Boolean);
}

// keys are those of a machine.
async function keys(again, account, place) {
  if (account.kind !== "MACHINE") return [];
  const act = pressing(again), list = await all(`/v1/${account.name}/apiKeys`), called = field("key-name", "What the key is for", { maxlength: "120" });
  const rows = list.map((k) => [k.displayName, instant(k.createTime), instant(k.expireTime), k.revokeTime ? "revoked " + instant(k.revokeTime)
    : act("Revoke it", () => send(`/v1/${k.name}:revoke`, {}), "The key is revoked.")]);
  const make = pressing(async () => {});
  return [table("Keys", ["For", "Made", "Ends", "Now"], rows, "No key yet."), fold("Make a key", ...called.nodes, make("Make the key", async () => {
    const made = await send(`/v1/${account.name}/apiKeys`, { displayName: called.value() });
    place.replaceChildren(...once("The key, once", made.secret, "The system sends it as Authorization: Bearer. Who has it may do what the account may."));
  }, ""))];
}

async function accountOf(again, id) {
  const account = await get("/v1/accounts/" + encodeURIComponent(id)), act = pressing(again), boxes = ticks(account.roles), place = el("div", { id: "shown-once", role: "status" }), me = account.name === current().account;
  const to = (verb) => () => send(`/v1/${account.name}:${verb}`, { etag: account.etag });
  const change = fold("Change what it may do", el("fieldset", {}, el("legend", {}, "What it may do"), ...boxes.map((b) => b.node)),
    act("Save", () => call("PATCH", `/v1/${account.name}?updateMask=roles`, { name: account.name, etag: account.etag, roles: chosen(boxes) }), "Changed."));
  const invite = el("div", { class: "press" }, el("button", { type: "button", class: "large", onclick: () => invited(account.name, place).catch((e) => { place.textContent = "✕ " + e.message; }) }, "Make a new invitation"));
  const verbs = !has("admin") || account.breakGlass ? [] : [change, account.kind === "HUMAN" && !account.issuer ? invite : null,
    account.secondFactor ? fold("The second factor is lost", el("p", {}, "Make sure that it is the person who asks. They set up a new one afterwards."), act("Take the second factor away", to("resetSecondFactor"), "Taken away.")) : null,
    account.state === "DISABLED" || account.state === "LOCKED" ? act("Let it in again", to("enable"), "It may be used again.")
      : me ? null : fold("The person left", el("p", {}, "Sessions and keys end at once. What was signed stays, and stays readable."), act("Disable the account", to("disable"), "Disabled."))];
  return [el("h2", {}, account.displayName), el("p", {}, chip(account.state), ` ${account.login}. Roles: ${account.roles.join(", ") || "none"}. ${account.person ? "Signs as " : "Signs nothing."}`, account.person ? link("people/" + last(account.person), last(account.person)) : null),
    account.owners && account.owners.length ? el("p", {}, "Sees only what belongs to: " + account.owners.join(", ")) : null, place, ...verbs, ...await keys(again, account, place), el("p", {}, link("accounts", "All accounts"))].filter(Boolean);
}

// callsPage is the record of changes and refusals at the door, a page at a time. Where it goes on stands in the address, so that the way back is the browser's.
export async function callsPage(asked) {
  const calls = await paged("/v1/auditEvents", asked);
  return [el("h2", {}, "Record of calls"), table(`Changes and refusals, newest first: ${calls.at}`, ["At", "Account", "Call", "On", "Outcome"],
    calls.rows.map((c) => [instant(c.createTime), last(c.account) || "–", last(c.method), c.target || "–", c.outcome]), "Nothing was called before that."), calls.ways].filter(Boolean);
}
