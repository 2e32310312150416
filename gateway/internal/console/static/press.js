// What the buttons of the work page have in common.
import { newKey } from "/issue.js";

// sender sends a change under a key of its own. The same change sent again, because no answer came, goes under the same key, so that it
// happens once.
export function sender(call) {
  let kept = {};
  return (path, body) => {
    const text = path + JSON.stringify(body);
    if (kept.text !== text) kept = { text, key: newKey() };
    return call("POST", path, body, kept.key);
  };
}

// pressing makes large buttons, each with the place under it where a refusal is said. One press is one call: while it is under way the
// button takes no other. What was done is said on the page that follows.
export function pressing({ el, again, Refused }) {
  return (title, action, told, refused) => {
    const said = el("p", { class: "refusal", role: "alert" });
    const button = el("button", { type: "button", class: "large" }, title);
    button.addEventListener("click", async () => {
      button.disabled = true;
      said.textContent = "";
      try {
        await action();
        await again(told);
      } catch (e) {
        if (!(e instanceof Refused)) throw e;
        said.textContent = "✕ " + e.message;
        if (refused) refused(e);
      } finally { button.disabled = false; }
    });
    return el("div", { class: "press" }, button, said);
  };
}

// field is a box with its label above.
export function field(el, id, label, attributes = {}) {
  const box = el(attributes.rows ? "textarea" : "input", { id, autocomplete: "off", ...attributes });
  return { box, nodes: [el("label", { for: id }, label), box], value: () => box.value.trim() };
}

// tick is a box to tick, with a label that can be pressed as well.
export function tick(el, id, label) {
  const box = el("input", { id, type: "checkbox" });
  return { box, node: el("label", { class: "tick", for: id }, box, " " + label) };
}

// choice is a list to choose one of.
export function choice(el, id, label, options) {
  const box = el("select", { id }, ...options.map(([value, text]) => el("option", { value }, text)));
  return { box, nodes: [el("label", { for: id }, label), box], value: () => box.value };
}
