// A person's own page: units, second factor, open sessions; and the alarm while the break-glass account is in use.

// emergency is the banner of a session that the break-glass envelope opened, and the alarm of those who watch over it; nothing
// when neither is the case.
export async function emergency({ get, el, instant, last, Refused }, session) {
  if (session.method === "break-glass") {
    return [el("p", { class: "alarm", role: "alert" }, `■ BREAK-GLASS SESSION until ${instant(session.expireTime)}. Everybody who follows the facts was told; another person reviews what is done here. It signs no records.`)];
  }
  if (!session.roles.some((r) => r === "admin" || r === "quality")) return [];
  // Somebody who may not read the uses is not whom the alarm is for; any other refusal is one of the page.
  const found = await get(`/v1/breakGlassUses?filter=${encodeURIComponent('state = "OPENED"')}`).catch((e) => {
    if (e instanceof Refused && e.status === 403) return { breakGlassUses: [] };
    throw e;
  });
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

// accountPage is the page of whoever is signed in; changed is called when the session says something new.
export async function accountPage({ get, call, el, table, instant, attempt }, session, changed) {
  const own = await get("/v1/sessions:describeOwn");
  return [el("h2", {}, "My account"), el("p", {}, `${session.displayName}, ${session.account}. Roles: ${session.roles.join(", ") || "none"}.`),
    ...unitChoice({ call, el, attempt }, session, changed), ...secondFactor({ call, el, attempt }, session, changed),
    el("h3", {}, "My open sessions"), table("End what is not yours, and change your password then", ["Opened", "Ends", "By", "What"], own.sessions.map((s) =>
      [instant(s.createTime), instant(s.expireTime), s.method, s.current ? "this one" : el("button", { type: "button",
        onclick: () => attempt(async () => { await call("POST", "/v1/sessions:endOwn", { sessionId: s.sessionId }); await changed(); }) }, "End it")]), "No session is open.")];
}

function unitChoice({ call, el, attempt }, session, changed) {
  const choose = el("select", { id: "units", onchange: () => attempt(async () => {
    await call("POST", "/v1/sessions:changeUnitSystem", { unitSystem: choose.value });
    await changed();
  }) }, ...Object.entries(unitNames).map(([value, name]) => el("option", { value, selected: value === session.unitSystem ? "" : undefined }, name)));
  return [el("h3", {}, "Units"), el("label", { for: "units" }, "Show amounts in"), choose,
    el("p", {}, "Only what is shown changes. What was entered stays in its own unit, and stands beside.")];
}

function secondFactor({ call, el, attempt }, session, changed) {
  const place = el("div", { id: "factor" });
  if (session.method !== "password") return [];
  const password = el("input", { id: "factor-password", type: "password", autocomplete: "current-password", required: "" });
  place.append(el("form", { onsubmit: (event) => {
    event.preventDefault();
    attempt(async () => {
      const begun = await call("POST", "/v1/sessions:enrolSecondFactor", { password: password.value });
      place.replaceChildren(...enrolment({ call, el, attempt }, begun, place, changed));
    });
  } }, el("label", { for: "factor-password" }, "Your password"), password, el("p", {}, el("button", {}, "Set up a second factor"))));
  return [el("h3", {}, "Second factor"), session.secondFactorDue ? el("p", { class: "caution" }, "Your role needs a second factor. Set it up before anything else.") :
    el("p", {}, "An authenticator app shows six digits that sign-in and signatures ask for beside the password. When it is lost, a recovery code stands for it once, or an administrator takes it away."), place];
}

function enrolment({ call, el, attempt }, begun, place, changed) {
  const code = el("input", { id: "factor-code", inputmode: "numeric", autocomplete: "one-time-code", required: "" });
  return [el("p", {}, "Scan this with the app, or type the secret into it. It is shown once."), qr(begun.qrRows), el("p", {}, "Secret: ", el("code", { id: "factor-secret" }, begun.secret)),
    el("form", { onsubmit: (event) => {
      event.preventDefault();
      attempt(async () => {
        const done = await call("POST", "/v1/sessions:confirmSecondFactor", { code: code.value });
        place.replaceChildren(el("p", { class: "caution" }, "The second factor counts from now on. Write these recovery codes on paper and keep them apart from the app; each stands once for its six digits, and they are shown once:"),
          el("ul", { id: "recovery" }, ...done.recoveryCodes.map((c) => el("li", {}, el("code", {}, c)))),
          el("p", {}, el("button", { type: "button", onclick: () => changed() }, "I have written them down")));
      });
    } }, el("label", { for: "factor-code" }, "The six digits that the app shows"), code, el("p", {}, el("button", {}, "Confirm")))];
}
