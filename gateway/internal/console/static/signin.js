// What somebody sees who is not signed in.
import { Refused, call, get } from "/api.js";
import { busy, free, hold } from "/busy.js";
import { el, link } from "/dom.js";

// refusals of the provider's way, which ends in the page's address.
const refused = {
  PROVIDER_REFUSED: "The provider did not sign you in. Begin again, or ask who runs it.", PROVIDER_UNREACHABLE: "The provider did not answer. Try again later, or sign in with a password.",
  PROVIDER_USER_UNKNOWN: "The provider knows you, and no account here is linked to you. Ask an administrator to link one.", PROVIDER_ROLE_MISSING: "The provider knows you, and none of your groups gives a role here. Ask who runs the provider.",
  PROVIDER_TOKEN_INVALID: "What the provider said of you can't be trusted, so nobody was signed in. Begin again, and tell an administrator if it stays.",
  SIGN_IN_ATTEMPT_INVALID: "The answer of the provider came too late, or to another browser. Begin again.", ACCOUNT_DISABLED: "Your account is disabled here. Ask an administrator.",
  REAUTHENTICATION_NEEDED: "The provider did not ask who you are again, so nothing was proven. Begin again; if it stays, an administrator looks at the provider.",
  PROVIDER_SIGN_IN_NEEDED: "Somebody else than the person of this session proved to be there. Nothing was signed. Begin again as yourself.", NOT_SIGNED_IN: "Nobody is signed in with this browser any more. Sign in first.",
};
export const providerRefusal = (reason) => refused[reason] || `The provider's way ended with ${reason}. Begin again.`;

// forms makes the forms; entered takes the session that one of them opened.
export function forms(page, say, cleared, entered) {
  function form(title, button, fields, submit) {
    cleared();
    const inputs = fields.map((f) => el("input", { id: f.name, name: f.name, type: f.type, autocomplete: f.autocomplete, inputmode: f.inputmode, autocapitalize: "none", required: f.optional ? undefined : "" }));
    const rows = fields.flatMap((f, i) => [el("label", { for: f.name }, f.label), inputs[i]]);
    page.replaceChildren(el("h2", {}, title), el("form", {
      onsubmit: async (event) => {
        event.preventDefault();
        if (busy()) return;
        hold(inputs);
        try {
          await entered(await submit(...inputs.map((i) => i.value)));
        } catch (e) {
          if (!(e instanceof Refused)) throw e;
          say(e.message);
          const code = page.querySelector("#code");
          free(inputs);
          if (code && (e.reason || "").startsWith("SECOND_FACTOR")) code.focus();
        } finally { free(inputs); }
      },
    }, ...rows, el("p", {}, el("button", {}, button))));
    inputs[0].focus();
  }

  // signIn asks for login and password, and for the code of the second factor where there is one; or leads to the provider.
  async function signIn() {
    form("Sign in", "Sign in", [
      { name: "login", label: "Login", type: "text", autocomplete: "username" },
      { name: "password", label: "Password", type: "password", autocomplete: "current-password" },
      { name: "code", label: "Code of the second factor, if you have one", type: "text", autocomplete: "one-time-code", optional: true },
    ], (login, password, code) => call("POST", "/v1/sessions:signIn", { login, password, code }));
    page.append(el("p", {}, link("break-glass", "Nobody can sign in: open the break-glass envelope")));
    const made = page.querySelector("form"), ways = await get("/v1/sessions:describeSignIn").catch((e) => { if (e instanceof Refused) return {}; throw e; });
    if (ways.signInPath && made.isConnected) made.after(el("p", {}, el("a", { id: "provider", class: "button", href: ways.signInPath }, `Sign in with ${ways.providerName}`)));
  }

  // envelope opens the break-glass account, for whoever holds its sealed secret.
  function envelope() {
    form("Break-glass envelope", "Open a session for one hour", [
      { name: "secret", label: "Secret in the envelope; it works once", type: "text", autocomplete: "off" },
      { name: "opener", label: "Your own login", type: "text", autocomplete: "username" },
      { name: "reason", label: "Why it is opened, at least ten characters", type: "text", autocomplete: "off" },
    ], (secret, opener, reason) => call("POST", "/v1/breakGlass:open", { secret, opener, reason }));
    page.querySelector("h2").after(el("p", { class: "caution" }, "Only when nobody can sign in. Quality and administrators are told at once, and another person reviews what is done."));
    page.append(el("p", {}, link("engines", "Back to the sign-in")));
  }

  const invitation = (token) => form("Choose a password", "Choose and sign in", [
    { name: "password", label: "New password, at least 12 characters", type: "password", autocomplete: "new-password" },
  ], (password) => call("POST", "/v1/invitations:accept", { token, password }));

  return { signIn, envelope, invitation };
}
