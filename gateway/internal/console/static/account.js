// A person's own page: units, password, second factor, open sessions; and the alarm while the break-glass account is in use.
import { call, current, get, otherwise } from "/api.js";
import { el, field, fold, instant, last, table } from "/dom.js";

// emergency is the banner of a session that the break-glass envelope opened, and the alarm of those who watch over it; nothing
// when neither is the case.
export async function emergency() {
  const session = current();
  if (session.method === "break-glass") {
    return [el("p", { class: "alarm", role: "alert" }, `■ BREAK-GLASS SESSION until ${instant(session.expireTime)}. Everybody who follows the facts was told; another person reviews what is done here. It signs no records.`)];
  }
  if (!session.roles.some((r) => r === "admin" || r === "quality")) return [];
  // Somebody who may not read the uses is not whom the alarm is for; any other refusal is one of the page.
  const found = await otherwise(call("GET", `/v1/breakGlassUses?filter=${encodeURIComponent('state = "OPENED"')}`, undefined, undefined, true), {});
  return (found.breakGlassUses || []).map((u) => el("p", { class: "alarm", role: "alert" },
    `■ BREAK-GLASS ACCOUNT IN USE, not reviewed: opened ${instant(u.createTime)} by ${last(u.opener)}, ends ${instant(u.expireTime)}. Their reason: `, el("q", {}, u.untrustedReason)));
}

// qr draws a QR code's modules, with the light border of four that ISO/IEC 18004 asks for.
function qr(rows) {
  const border = 4, scale = 5, size = (rows.length + 2 * border) * scale;
  const canvas = document.createElement("canvas");
  canvas.width = canvas.height = size;
  canvas.setAttribute("role", "img");
  canvas.setAttribute("aria-label", "QR code of the secret, which is written below too");
  const draw = canvas.getContext("2d");
  draw.fillStyle = "#fff";
  draw.fillRect(0, 0, size, size);
  draw.fillStyle = "#000";
  rows.forEach((row, y) => [...row].forEach((module, x) => module === "1" && draw.fillRect((x + border) * scale, (y + border) * scale, scale, scale)));
  return canvas;
}

const unitNames = { UNIT_SYSTEM_UNSPECIFIED: "As entered", SI: "SI (L, kPa, °C, N·m)", US: "US (US gal, psi, °F, lbf·ft)" };

// accountPage is the page of whoever is signed in; attempt says a refusal, and changed is called when the session says something new.
export async function accountPage(attempt, changed) {
  const session = current(), own = await get("/v1/sessions:describeOwn"), says = { attempt, changed };
  return [el("h2", {}, "My account"), el("p", {}, `${session.displayName}, ${session.account}. Roles: ${session.roles.join(", ") || "none"}.`),
    ...unitChoice(says, session), ...password(says, session), ...secondFactor(says, session, own.secondFactor),
    el("h3", {}, "My open sessions"), table("End what is not yours, and change your password then", ["Opened", "Ends", "By", "What"], own.sessions.map((s) =>
      [instant(s.createTime), instant(s.expireTime), s.method, s.current ? "this one" : el("button", { type: "button",
        onclick: () => attempt(async () => { await call("POST", "/v1/sessions:endOwn", { sessionId: s.sessionId }); await changed(); }) }, "End it")]), "No session is open.")];
}

function unitChoice({ attempt, changed }, session) {
  const choose = el("select", { id: "units", onchange: () => attempt(async () => {
    await call("POST", "/v1/sessions:changeUnitSystem", { unitSystem: choose.value });
    await changed();
  }) }, ...Object.entries(unitNames).map(([value, name]) => el("option", { value, selected: value === session.unitSystem ? "" : undefined }, name)));
  return [el("h3", {}, "Units"), el("label", { for: "units" }, "Show amounts in"), choose,
    el("p", {}, "Only what is shown changes. What was entered stays in its own unit, and stands beside.")];
}

// form asks for something secret and does one thing with it.
const form = (attempt, boxes, title, action) => el("form", { onsubmit: (event) => { event.preventDefault(); attempt(action); } }, ...boxes.flatMap((b) => b.nodes), el("p", {}, el("button", {}, title)));

const byPassword = (session) => session.method.startsWith("password");

function password({ attempt }, session) {
  if (!byPassword(session)) return [];
  const old = field("old-password", "Password until now", { type: "password", autocomplete: "current-password", required: "" });
  const chosen = field("new-password", "New password, at least 12 characters", { type: "password", autocomplete: "new-password", required: "" }), said = el("p", { role: "status" });
  return [el("h3", {}, "Password"), fold("Change my password", form(attempt, [old, chosen], "Change it", async () => {
    await call("POST", "/v1/sessions:changePassword", { oldPassword: old.box.value, newPassword: chosen.box.value });
    old.box.value = chosen.box.value = "";
    said.textContent = "✓ The password is changed.";
  }), said)];
}

const explained = "An authenticator app shows six digits that sign-in and signatures ask for beside the password. When it is lost, a recovery code stands for it once, or an administrator takes it away.";

// secondFactor shows whether there is one; one that is there can be taken away by an administrator only, so that nobody does it at an open screen.
function secondFactor({ attempt, changed }, session, exists) {
  const head = el("h3", {}, "Second factor");
  if (!byPassword(session)) return session.method === "provider" ? [head, el("p", {}, "You sign in by the provider; whether it asks for a second factor is set there.")] : [];
  if (exists) {
    return [head, el("p", { id: "factor-on" }, el("span", { class: "chip good" }, "○ ON"), " Sign-in and signatures ask for its code."),
      el("p", {}, "For another telephone, or when it is lost: an administrator takes it away, and you set up a new one here.")];
  }
  const place = el("div", { id: "factor" }), given = field("factor-password", "Your password", { type: "password", autocomplete: "current-password", required: "" });
  place.append(form(attempt, [given], "Set up a second factor", async () => {
    place.replaceChildren(...enrolment(attempt, await call("POST", "/v1/sessions:enrolSecondFactor", { password: given.box.value }), place, changed));
  }));
  return [head, session.secondFactorDue ? el("p", { class: "caution" }, "Your role needs a second factor. Set it up before anything else.") :
    el("p", { id: "factor-off" }, el("span", { class: "chip none" }, "– OFF"), " " + explained), place];
}

function enrolment(attempt, begun, place, changed) {
  const code = field("factor-code", "The six digits that the app shows", { inputmode: "numeric", autocomplete: "one-time-code", required: "" });
  return [el("p", {}, "Scan this with the app, or type the secret into it. It is shown once."), qr(begun.qrRows), el("p", {}, "Secret: ", el("code", { id: "factor-secret" }, begun.secret)),
    form(attempt, [code], "Confirm", async () => {
      const done = await call("POST", "/v1/sessions:confirmSecondFactor", { code: code.value() });
      place.replaceChildren(el("p", { class: "caution" }, "The second factor counts from now on. Write these recovery codes on paper and keep them apart from the app; each stands once for its six digits, and they are shown once:"),
        el("ul", { id: "recovery" }, ...done.recoveryCodes.map((c) => el("li", {}, el("code", {}, c)))),
        el("p", {}, el("button", { type: "button", onclick: () => changed() }, "I have written them down")));
    })];
}
