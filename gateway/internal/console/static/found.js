// Findings: reported from any step with one question, whether the work stops; answered, and closed by another person.
import { choice, field, tick } from "/press.js";

// photograph keeps a picture with the order and gives its hash, none when none was taken.
async function photograph(kit, order, file) {
  if (!file) return [];
  const bytes = new Uint8Array(await file.arrayBuffer());
  let text = "";
  for (let i = 0; i < bytes.length; i += 4096) text += String.fromCharCode(...bytes.subarray(i, i + 4096));
  const stored = await kit.send(`/v1/${order.name}/attachments`, { mediaType: file.type, content: btoa(text) });
  return [stored.sha256];
}

function raise(kit, act, world, step) {
  const { el } = kit, what = field(el, "found", "What you found, and where", { rows: "3", maxlength: "4000" });
  const stop = tick(el, "stop-work", "Stop the work: the order goes on hold"), flight = tick(el, "flight-safety", "It endangers flight");
  const photo = field(el, "photo", "Photograph", { type: "file", accept: "image/jpeg,image/png" });
  return el("details", { id: "raise" }, el("summary", {}, "Report a finding"), ...what.nodes, stop.node, flight.node, ...photo.nodes, act("Report it", async () => kit.send(`/v1/${world.order.name}/findings`, {
    description: what.value(), stopWork: stop.box.checked, flightSafety: flight.box.checked, ...(step ? { step: step.name } : {}), photoSha256: await photograph(kit, world.order, photo.box.files[0]),
  }), "The finding is reported."));
}

const civil = (text) => (text ? { limitDate: Object.fromEntries(text.split("-").map((n, i) => [["year", "month", "day"][i], Number(n)])) } : {});

// answer decides what is done about a finding.
function answer(kit, act, f) {
  const { el, last } = kit, id = last(f.name);
  const how = choice(el, "how-" + id, "What is done about it", [["RECTIFY", "Put right now"], ["DEFER", "Put off"], ["CUSTOMER_DECISION", "The customer decides"]]);
  const [text, basis, category, placard] = [["answer-", "In words", "4000"], ["basis-", "Put off: the data that allow it", "400"], ["category-", "Put off: category", "8"], ["placard-", "Put off: text of the placard", "400"]]
    .map(([at, label, maxlength]) => field(el, at + id, label, { maxlength }));
  const until = field(el, "until-" + id, "Put off: last day", { type: "date" });
  const body = () => (how.value() === "DEFER" ? { basis: basis.value(), category: category.value(), placard: placard.value(), ...civil(until.value()) } : {});
  return el("details", {}, el("summary", {}, "Answer it"), ...how.nodes, ...text.nodes, ...basis.nodes, ...until.nodes, ...category.nodes, ...placard.nodes,
    act("Answer the finding", () => kit.send(`/v1/${f.name}:answer`, { etag: f.etag, disposition: how.value(), answer: text.value(), ...body() }), "The finding is answered."));
}

function close(kit, act, f) {
  const note = field(kit.el, "closing-" + kit.last(f.name), "What you looked at", { maxlength: "400" });
  return kit.el("details", {}, kit.el("summary", {}, "Verify and close it"), ...note.nodes,
    act("Close the finding", () => kit.send(`/v1/${f.name}:close`, { etag: f.etag, note: note.value() }), "The finding is closed."));
}

// findings lists what was found on an order, and takes more.
export function findings(kit, act, world, step) {
  const { el, chip, last } = kit, ended = ["RELEASED", "VOIDED"].includes(world.order.state);
  const one = (f) => el("li", {}, chip(f.state), ` ${f.description} (${last(f.raiser)}, ${kit.instant(f.raiseTime)})${f.flightSafety ? " ▲ ENDANGERS FLIGHT" : ""}${f.answer ? `. ${f.disposition}: ${f.answer}` : ""}`,
    f.state === "RAISED" && !ended ? answer(kit, act, f) : null, f.state === "ANSWERED" && !ended ? close(kit, act, f) : null);
  return el("section", { id: "findings" }, el("h3", {}, "Findings"), world.findings.length ? el("ul", {}, ...world.findings.map(one)) : el("p", {}, "Nothing was found so far."),
    ended ? null : raise(kit, act, world, step));
}
