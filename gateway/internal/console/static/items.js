// Items: what stores keep, with what it may be used for, how long it keeps and what it can do to people.
import { all, change, get, has, otherwise, send } from "/api.js";
import { amount, chip, date, el, fold, last, link, table, words } from "/dom.js";
import { dayBox, entering, filled, idOf, lines, numberBox, pickBox, textBox, tickBox, wrong } from "/entry.js";
import { paged } from "/paging.js";

export const kinds = [["CLEANER", "compressor cleaner"], ["WATER", "distilled or demineralised water"], ["ANTIFREEZE", "antifreeze"], ["BLEND", "solution mixed here"], ["SEAL", "seal or O-ring"], ["OTHER", "something else"]];
const signals = [["SIGNAL_WORD_UNSPECIFIED", "as its hazard statements call for"], ["WARNING", "WARNING"], ["DANGER", "DANGER"]];
const may = () => has("stores");

// ratios reads "4:1" as parts of water to parts of cleaner. What is no ratio is refused here: half of one would be another mixture.
const ratios = (box) => lines(box.value()).map((line) => {
  const [, water, cleaner] = /^(\d+)\s*:\s*(\d+)$/.exec(line) || [];
  if (cleaner === undefined) throw wrong(box.path, `“${line}” is no ratio. Write the parts of water, a colon and the parts of cleaner, such as 4:1.`);
  return { waterParts: Number(water), cleanerParts: Number(cleaner) };
});

async function boxes(i, isNew) {
  const grades = await otherwise(all("/v1/waterGrades"), []), whole = (path, id, label, value, hint) => numberBox(path, id, label, value || undefined, { inputmode: "numeric", hint });
  return { name: textBox("item.display_name", "item-name", "Name", { value: i.displayName, maxlength: "120" }),
    ...(isNew ? { kind: pickBox("item.kind", "item-kind", "What it is", kinds, "CLEANER"), unit: textBox("item.base_unit_code", "item-unit", "Unit that it is counted in", { value: "L", maxlength: "24", hint: "UCUM, such as L, kg, or {each} for pieces. It can't be changed later." }) } : {}),
    part: textBox("item.part_number", "item-part", "Part number", { value: i.partNumber, maxlength: "64" }),
    hazards: textBox("item.hazard_statements", "item-hazards", "Hazard statements of the safety data sheet, one a line", { rows: "3", value: (i.hazardStatements || []).join("\n") }),
    pictograms: textBox("item.pictograms", "item-pictograms", "Hazard pictograms, one a line", { rows: "2", value: (i.pictograms || []).join("\n"), hint: "By their codes, GHS01 to GHS09." }),
    signal: pickBox("item.signal_word", "item-signal", "Signal word", signals, i.signalWord), sheet: textBox("item.safety_data_sheet_revision", "item-sheet", "Revision of the safety data sheet", { value: i.safetyDataSheetRevision, maxlength: "64" }),
    sheetDay: dayBox("item.safety_data_sheet_date", "item-sheet-day", "Its date", i.safetyDataSheetDate),
    shelf: whole("item.shelf_life_days", "item-shelf", "Keeps sealed, days", i.shelfLifeDays), months: whole("item.shelf_life_months", "item-months", "or months", i.shelfLifeMonths), unlimited: tickBox("item.no_life_limit", "item-forever", "It has no limit of life", i.noLifeLimit),
    opened: whole("item.opened_life_days", "item-opened", "Keeps opened, days", i.openedLifeDays), pot: whole("item.pot_life_hours", "item-pot", "Keeps mixed, hours", i.potLifeHours),
    ready: tickBox("item.ready_to_use", "item-ready", "Ready to use: never mixed", i.readyToUse), mix: textBox("item.approved_mix_ratios", "item-mix", "Approved mixing ratios, water:cleaner, one a line", { rows: "2", value: (i.approvedMixRatios || []).map((r) => `${r.waterParts}:${r.cleanerParts}`).join("\n"), hint: "Such as 4:1 for four parts of water to one of cleaner." }),
    grade: pickBox("item.water_grade", "item-grade", "Water is tested for the grade", [["", "–"], ...grades.map((g) => [g.name, g.displayName || last(g.name)])], i.waterGrade || ""),
    certificate: tickBox("item.certificate_required", "item-certificate", "Received only with a certificate", i.certificateRequired), second: tickBox("item.second_person_clears", "item-second", "Cleared by another person than who received it", i.secondPersonClears),
    questions: textBox("item.receiving_questions", "item-questions", "Questions at receiving, one a line", { rows: "3", value: (i.receivingQuestions || []).join("\n") }) };
}

const valuesOf = (b) => ({ displayName: b.name.value(), partNumber: b.part.value(), hazardStatements: lines(b.hazards.value()), pictograms: lines(b.pictograms.value()), signalWord: b.signal.value(), safetyDataSheetRevision: b.sheet.value(),
  safetyDataSheetDate: b.sheetDay.value(), shelfLifeDays: b.shelf.value(), shelfLifeMonths: b.months.value(), noLifeLimit: b.unlimited.value(), openedLifeDays: b.opened.value(), potLifeHours: b.pot.value(), readyToUse: b.ready.value(),
  approvedMixRatios: ratios(b.mix), waterGrade: b.grade.value(), certificateRequired: b.certificate.value(), secondPersonClears: b.second.value(), receivingQuestions: lines(b.questions.value()) });

export async function itemsPage(again, asked) {
  const items = await paged("/v1/items", asked);
  const list = table(`Everything that stores keep: ${items.at}`, ["Item", "Kind", "On hand", "May be promised", "Safety data sheet"], items.rows.map((i) => [link("item/" + last(i.name), i.displayName), (kinds.find(([k]) => k === i.kind) || [])[1] || words(i.kind), amount(i.onHand), amount(i.available),
    [i.safetyDataSheetRevision, i.safetyDataSheetDate && date(i.safetyDataSheetDate)].filter(Boolean).join(" of ") || chip("NO_DATA")]), "No item yet.");
  if (!may()) return [el("h2", {}, "Items"), list, items.ways, el("p", {}, "Stores add items.")].filter(Boolean);
  const b = await boxes({}, true);
  return [el("h2", {}, "Items"), list, items.ways || "", fold("Add an item", entering("item-form", "Add the item", Object.values(b), async () => {
    const id = idOf(b.name.value()), made = await send("/v1/items" + (id ? "?itemId=" + id : ""), filled({ kind: b.kind.value(), baseUnitCode: b.unit.value(), ...valuesOf(b) }));
    return `${made.displayName} is added.`;
  }, again))];
}

// changing is the form on an item's page.
export async function changing(again, name) {
  if (!may()) return null;
  const item = await get("/v1/" + name), b = await boxes(item, false);
  return fold("Change it", entering("item-form", "Save", Object.values(b), async () => { await change(item, valuesOf(b)); return "The item is changed."; }, again));
}
