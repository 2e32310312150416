// Large buttons, for gloves.
import { changing } from "/busy.js";
import { el } from "/dom.js";

// pressing makes buttons, each with the place under it where a refusal is said. One press is one call: while it is under way the page takes
// no other; say puts into words what a refusal names. What was done is said on the page that follows, which again shows; an action that did something else than told gives its words.
export function pressing(again, say = (text) => text) {
  return (title, action, told, refused) => {
    const no = el("p", { class: "refusal", role: "alert" });
    const press = () => {
      no.textContent = "";
      return changing(title, action, (said) => again(typeof said === "string" && said ? said : told), (e) => {
        no.textContent = "✕ " + say(e.message);
        if (refused) refused(e);
      }, no.previousElementSibling);
    };
    return el("div", { class: "press" }, el("button", { type: "button", class: "large", onclick: press }, title), no);
  };
}
