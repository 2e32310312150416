// A fresh proof of who signs. Whoever signed in with a password types it again; whoever the provider signed in goes there and comes back, and what
// was on the page then is shown again before anything is signed.
import { call, get, suiteNow } from "/api.js";
import { el, field } from "/dom.js";

const place = "coldsection-way-back", life = 2 * 60 * 1000; // the service lets a proof of the provider count as long

// forget is when a proof was used, or none came about.
const forget = () => sessionStorage.removeItem(place);

// wayBack is the page that somebody left for the provider. The provider's way ends at the console's bare address; whoever comes by another, such
// as the browser's way back or a refusal, proved nothing.
export function wayBack() {
  const left = JSON.parse(sessionStorage.getItem(place) || "null");
  if (!left || left.returned) return "";
  if (location.hash) forget();
  else sessionStorage.setItem(place, JSON.stringify({ ...left, returned: suiteNow() }));
  return left.page;
}

// byPassword asks for the password, and for the code of a second factor.
function byPassword() {
  const password = field("sign-password", "Your password", { type: "password", autocomplete: "current-password" });
  const code = field("sign-code", "Code of your authenticator app, if you have one", { inputmode: "numeric", autocomplete: "one-time-code" });
  return {
    nodes: [...password.nodes, ...code.nodes],
    ready: () => true,
    prove() {
      const given = { password: password.box.value, ...(code.value() ? { code: code.value() } : {}) };
      password.box.value = code.box.value = ""; // a proof is for one signature
      return call("POST", "/v1/sessions:reauthenticate", given);
    },
  };
}

// byProvider sends the person to the provider, which asks who is there once more. Coming back signs nothing by itself: the text stands here
// again and is signed by a press. A text that is not the one that was left is a new one, and needs a new proof.
async function byProvider(shown) {
  const ways = await get("/v1/sessions:describeSignIn"), left = JSON.parse(sessionStorage.getItem(place) || "null");
  let spent = false;
  const proven = () => !spent && Boolean(left) && Boolean(shown()) && left.contentHash === shown().contentHash && suiteNow() - left.returned < life;
  const said = el("p", { id: "proven" });
  const go = el("button", { type: "button", class: "large", id: "prove", onclick: () => {
    sessionStorage.setItem(place, JSON.stringify({ page: location.hash, contentHash: shown().contentHash }));
    location.assign(ways.reauthenticatePath);
  } }, `Prove who you are at ${ways.providerName}`);
  const look = () => {
    go.hidden = proven();
    go.disabled = !shown();
    said.textContent = proven() ? `✓ ${ways.providerName} asked who you are. Read the text once more; it can be signed for two minutes.`
      : `Before you sign, ${ways.providerName} asks who you are. You come back to this page, and sign here.`;
  };
  look();
  return {
    nodes: [said, go],
    ready: () => { look(); return proven(); }, // what is signed may have been chosen meanwhile
    prove() {
      spent = true; // a proof is for one signature
      forget();
      look();
      return call("POST", "/v1/sessions:reauthenticate", {});
    },
  };
}

// proofFor is how the person of a session proves to be there; shown gives what would be signed.
export const proofFor = (session, shown) => (session.method === "provider" ? byProvider(shown) : byPassword());
