// The printed table of freezing points that antifreeze is measured by: its rows as they stand in the document, never between two. Without one, a wash in the cold is refused.
import { date, decimal, el, table } from "/dom.js";
import { filled, lines, numberBox, textBox, wrong } from "/entry.js";
import { document_ } from "/standing.js";

const at = (name) => "engine_model.wash.antifreeze_table" + name;
const columns = ["volumePercent", "freezingPointC", "massPercent", "specificGravity"];
const rowText = (r) => [r.volumePercent, r.freezingPointC, r.massPercent, r.specificGravity].map((n, i) => (i > 1 && !n ? "" : String(n || 0))).join("; ").replace(/(; )+$/, "");

// rowsOf reads a table that was typed or pasted, a printed row a line; a line of headings above them is passed over.
function rowsOf(box) {
  return lines(box.value()).filter((line, i) => i > 0 || /^[\d.,+−-]/.test(line)).map((line) => {
    const cells = line.split(/[\t;]/).map((c) => c.trim()), numbers = cells.map((c) => (c === "" ? undefined : Number(decimal(c).replace("−", "-"))));
    if (cells.length < 2 || cells.length > columns.length || numbers[0] === undefined || numbers[1] === undefined || numbers.some(Number.isNaN)) {
      throw wrong(box.path, `“${line.slice(0, 80)}” is no row of the table. Write the per cent by volume, a semicolon and the freezing point in °C, such as 30; -16, and after them the per cent by mass and the specific gravity where they are printed.`);
    }
    return Object.fromEntries(columns.map((c, i) => [c, numbers[i]]).filter(([, n]) => n !== undefined));
  });
}

// antifreezeBoxes are the boxes of the table, in the order in which they are filled.
export function antifreezeBoxes(t) {
  const d = t.document || {};
  return { rows: textBox(at(".rows"), "af-rows", "Antifreeze: the printed table of freezing points, a row a line", { rows: "5", spellcheck: "false", value: (t.rows || []).map(rowText).join("\n"),
    hint: "Per cent by volume; freezing point °C; per cent by mass; specific gravity. Parted by semicolons or tabs; the last two may be left out. Only printed rows are used, never one between two. Empty: no wash is planned where antifreeze is needed." }),
  title: textBox(at(".document"), "af-document", "Document in which it is printed", { value: d.title, maxlength: "200" }), revision: textBox(at(".document.revision"), "af-revision", "Its revision", { value: d.revision, maxlength: "64" }),
  section: textBox(at(".document.section"), "af-section", "Its section or table number", { value: d.section, maxlength: "120" }),
  pure: numberBox(at(".antifreeze_density_kg_l"), "af-density", "Density of the pure antifreeze at the table's temperature, kg/L", t.antifreezeDensityKgL || undefined, { hint: "Empty where it is not printed." }),
  water: numberBox(at(".water_density_kg_l"), "af-water", "Density of water at that temperature, kg/L", t.waterDensityKgL || undefined) };
}

// antifreezeOf is the table as the boxes have it; none where nothing is in them.
export function antifreezeOf(b, t) {
  const rows = rowsOf(b.rows), beside = [b.title, b.revision, b.section, b.pure, b.water].find((box) => box.value() !== undefined && box.value() !== "");
  if (!rows.length) {
    if (beside) throw wrong(b.rows.path, "Give the rows of the table, or take its document and densities out as well.");
    return undefined;
  }
  if (!b.title.value()) throw wrong(b.title.path, "Give the document in which the table is printed: whoever mixes in the cold goes by it.");
  if (!b.revision.value()) throw wrong(b.revision.path, "Give the revision of that document.");
  return filled({ rows, document: filled({ ...t.document, title: b.title.value(), revision: b.revision.value(), section: b.section.value() }), antifreezeDensityKgL: b.pure.value(), waterDensityKgL: b.water.value() });
}

// antifreezeTable shows it to everybody, with where it is printed.
export function antifreezeTable(w) {
  const t = w.antifreezeTable;
  if (!t || !(t.rows || []).length) return [el("p", {}, `▲ No table of antifreeze is entered: a wash at ${w.antifreezeBelowC || 0} °C or below can't be planned.`)];
  return [table("Antifreeze, as printed", ["By volume, %", "Freezing point, °C", "By mass, %", "Specific gravity"], t.rows.map((r) => [String(r.volumePercent), String(r.freezingPointC || 0), r.massPercent ? String(r.massPercent) : "–", r.specificGravity ? String(r.specificGravity) : "–"]), ""),
    el("p", {}, `By ${document_(t.document)}${t.document && t.document.effectiveDate && t.document.effectiveDate.year ? `, of ${date(t.document.effectiveDate)}` : ""}. Needed at ${w.antifreezeBelowC || 0} °C and below, forbidden above ${w.antifreezeCeilingC || 0} °C; the row that is used freezes ${w.antifreezeMarginC || 0} K or more below the air.`)];
}
