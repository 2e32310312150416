// Forms that are signed. What is typed stands below in words as it is being typed, which is what is signed; whoever signs proves to be at the keyboard; and what the
// service refuses stands at its field, in the words of people.
import { Refused, current } from "/api.js";
import { el } from "/dom.js";
import { entering } from "/entry.js";
import { names } from "/names.js";
import { proofFor } from "/proof.js";

// called puts what people call things for their names in a refusal, also where it stands at a field.
async function called(e) {
  const { inWords } = names(), violations = await Promise.all((e.violations || []).map(async (v) => ({ ...v, description: await inWords(v.description) })));
  return Object.assign(e, { message: await inWords(e.message), violations });
}

// signedForm is such a form: read gives what is sent or refuses what was typed, words says it, save sends it with the proof.
export async function signedForm(id, title, parts, { read, words, save, again }) {
  const said = el("ul", { id: id + "-said" });
  let shown = null;
  const proof = await proofFor(current(), () => shown);
  const form = entering(id, title, [...parts, el("section", { class: "meaning" }, el("h3", {}, "You sign this"), said), { nodes: proof.nodes }], async () => {
    const body = read(), { reauthenticationToken } = await proof.prove();
    try { return await save({ ...body, reauthenticationToken }); } catch (e) { throw e instanceof Refused ? await called(e) : e; }
  }, again);
  const button = form.querySelector(".press > button");
  // look says anew what would be signed; what can't be read yet is no text that anybody could prove to have seen.
  function look() {
    let lines = [];
    try {
      const body = read();
      shown = { contentHash: JSON.stringify(body) };
      lines = words(body);
    } catch (e) {
      if (!(e instanceof Refused)) throw e;
      shown = null;
      lines = ["Not complete yet: " + e.message];
    }
    said.replaceChildren(...lines.filter(Boolean).map((line) => el("li", {}, line)));
    button.disabled = !proof.ready();
  }
  for (const kind of ["input", "change"]) form.addEventListener(kind, look);
  look();
  return form;
}
