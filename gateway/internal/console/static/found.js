// Findings: reported from any step with one question, whether the work stops; answered, and closed by another person.
import { has, send } from "/api.js";
import { chip, choice, dayOf, el, field, fold, instant, last, tick } from "/dom.js";

// photograph keeps a picture with the order and gives its hash, none when none was taken.
async function photograph(order, file) {
  if (!file) return [];
  const bytes = new Uint8Array(await file.arrayBuffer());
  let text = "";
  for (let i = 0; i < bytes.length; i += 4096) text += String.fromCharCode(...bytes.subarray(i, i + 4096));
  const stored = await send(`/v1/${order.name}/attachments`, { mediaType: file.type, content: btoa(text) });
  return [stored.sha256];
}

function raise(act, world, step) {
  const what = field("found", "What you found, and where", { rows: "3", maxlength: "4000" });
  const stop = tick("stop-work", "Stop the work: the order goes on hold"), flight = tick("flight-safety", "It endangers flight");
  const photo = field("photo", "Photograph", { type: "file", accept: "image/jpeg,image/png" });
  return el("details", { id: "raise" }, el("summary", {}, "Report a finding"), ...what.nodes, stop.node, flight.node, ...photo.nodes, act("Report it", async () => send(`/v1/${world.order.name}/findings`, {
    description: what.value(), stopWork: stop.box.checked, flightSafety: flight.box.checked, ...(step ? { step: step.name } : {}), photoSha256: await photograph(world.order, photo.box.files[0]),
  }), "The finding is reported."));
}

const civil = (text) => (text ? { limitDate: dayOf(text) } : {});

// answer decides what is done about a finding.
function answer(act, f) {
  const id = last(f.name);
  const how = choice("how-" + id, "What is done about it", [["RECTIFY", "Put right now"], ["DEFER", "Put off"], ["CUSTOMER_DECISION", "The customer decides"]]);
  const [text, basis, category, placard] = [["answer-", "In words", "4000"], ["basis-", "Put off: the data that allow it", "400"], ["category-", "Put off: category", "8"], ["placard-", "Put off: text of the placard", "400"]]
    .map(([at, label, maxlength]) => field(at + id, label, { maxlength }));
  const until = field("until-" + id, "Put off: last day", { type: "date" });
  const body = () => (how.value() === "DEFER" ? { basis: basis.value(), category: category.value(), placard: placard.value(), ...civil(until.value()) } : {});
  return fold("Answer it", ...how.nodes, ...text.nodes, ...basis.nodes, ...until.nodes, ...category.nodes, ...placard.nodes,
    act("Answer the finding", () => send(`/v1/${f.name}:answer`, { etag: f.etag, disposition: how.value(), answer: text.value(), ...body() }), "The finding is answered."));
}

function close(act, f) {
  const note = field("closing-" + last(f.name), "What you looked at", { maxlength: "400" });
  return fold("Verify and close it", ...note.nodes,
    act("Close the finding", () => send(`/v1/${f.name}:close`, { etag: f.etag, note: note.value() }), "The finding is closed."));
}

const may = () => has("technician", "inspector", "quality");

// findings lists what was found on an order, and takes more.
export function findings(kit, act, world, step) {
  const ended = ["RELEASED", "VOIDED"].includes(world.order.state);
  const one = (f) => el("li", {}, chip(f.state), ` ${f.description} (${kit.who(f.raiser)}, ${instant(f.raiseTime)})${f.flightSafety ? " ▲ ENDANGERS FLIGHT" : ""}${f.answer ? `. ${f.disposition}: ${f.answer}` : ""}`,
    f.state === "RAISED" && !ended && may() ? answer(act, f) : null, f.state === "ANSWERED" && !ended ? (has("inspector", "quality") ? close(act, f) : el("p", {}, "An inspector or quality verifies and closes it.")) : null);
  return el("section", { id: "findings" }, el("h3", {}, "Findings"), world.findings.length ? el("ul", {}, ...world.findings.map(one)) : el("p", {}, "Nothing was found so far."),
    ended ? null : may() ? raise(act, world, step) : el("p", {}, "A technician, an inspector or quality reports findings: ask one of them for what you see."));
}
