// Large buttons, for gloves.
import { Refused } from "/api.js";
import { el } from "/dom.js";

// pressing makes buttons, each with the place under it where a refusal is said. One press is one call: while it is under way the button takes
// no other; say puts into words what a refusal names. What was done is said on the page that follows, which again shows; an action that did something else than told gives its words.
export function pressing(again, say = (text) => text) {
  return (title, action, told, refused) => {
    const no = el("p", { class: "refusal", role: "alert" });
    const button = el("button", { type: "button", class: "large" }, title);
    button.addEventListener("click", async () => {
      button.disabled = true;
      no.textContent = "";
      try {
        const said = await action();
        await again(typeof said === "string" && said ? said : told);
      } catch (e) {
        if (!(e instanceof Refused)) throw e;
        no.textContent = "✕ " + say(e.message);
        if (refused) refused(e);
      } finally { button.disabled = false; }
    });
    return el("div", { class: "press" }, button, no);
  };
}
