// A session that ended while somebody was at a page: they sign in over it, and what they had typed stays and is sent. Nobody else can send it.
import { Refused, call, current, get, setCurrent } from "/api.js";
import { el, field } from "/dom.js";

let open = null; // one dialog for all calls that meet the end of the session

// renewal asks who was signed in to do so once more, and is done when they are. It is refused when they leave the page as it is.
export const renewal = (begin) => () => (open ||= asked(begin).finally(() => { open = null; }));

const asked = (begin) => new Promise((resolve, reject) => {
  const was = current(), said = el("p", { class: "refusal", role: "alert" });
  const [login, password, code] = [field("again-login", "Login", { autocomplete: "username", autocapitalize: "none" }), field("again-password", "Password", { type: "password", autocomplete: "current-password" }),
    field("again-code", "Code of the second factor, if you have one", { autocomplete: "one-time-code", inputmode: "numeric" })];
  const close = (then) => { dialog.close(); dialog.remove(); then(); };
  // taken goes on with a session, unless it is of somebody else: what is on the page is not theirs.
  async function taken(session) {
    if (session.account !== was.account) throw new Refused(`This page was filled in by ${was.displayName}. Sign in as ${was.displayName}, or leave the page.`);
    setCurrent(session);
    await begin(session);
    close(resolve);
  }
  const attempt = (ask) => async (event) => {
    event.preventDefault();
    said.textContent = "";
    try { await taken(await ask()); } catch (e) {
      if (!(e instanceof Refused)) throw e;
      said.textContent = "✕ " + e.message;
    }
  };
  // signIn ends a session at once that is of somebody else: this browser would be theirs, under a page that is not.
  async function signIn() {
    const session = await call("POST", "/v1/sessions:signIn", { login: login.value(), password: password.box.value, ...(code.value() ? { code: code.value() } : {}) });
    password.box.value = code.box.value = "";
    if (session.account === was.account) return session;
    setCurrent(session);
    await call("POST", "/v1/sessions:signOut", {}).finally(() => setCurrent(was));
    return session;
  }
  const elsewhere = el("p", {}), form = el("form", { onsubmit: attempt(signIn) }, ...login.nodes, ...password.nodes, ...code.nodes, el("p", {}, el("button", { class: "large" }, "Sign in and go on")));
  const dialog = el("dialog", { id: "again", "aria-labelledby": "again-title", oncancel: (event) => { event.preventDefault(); left(); } }, el("h2", { id: "again-title" }, "Your session ended"),
    el("p", {}, `Sign in once more, ${was.displayName}. What you typed is still on the page, and is sent then.`), form, elsewhere, said, el("button", { type: "button", class: "back", onclick: () => left() }, "Not now: back to the page"));
  const left = () => close(() => reject(Object.assign(new Refused("Nothing was sent: your session ended. Press once more to sign in; what you typed is still here."), { status: 401 })));
  document.body.append(dialog);
  dialog.showModal();
  get("/v1/sessions:describeSignIn").then((ways) => {
    if (!ways.signInPath) return;
    elsewhere.append(el("a", { href: ways.signInPath, target: "_blank" }, `Sign in with ${ways.providerName}, in another tab`), " ", el("button", { type: "button", onclick: attempt(() => get("/v1/sessions/current")) }, "I am signed in: go on"));
  }).catch((e) => { if (!(e instanceof Refused)) throw e; });
});
