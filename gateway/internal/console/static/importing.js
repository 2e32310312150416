// Importing readings from a table: checked first, with how each column was understood and what is wrong with which row; taken only after that was looked at.
import { Refused, call, has, newKey } from "/api.js";
import { el, field, instant, last, link, table } from "/dom.js";

// base64 is a file as the API takes it.
async function base64(file) {
  const bytes = new Uint8Array(await file.arrayBuffer());
  let text = "";
  for (let i = 0; i < bytes.length; i += 4096) text += String.fromCharCode(...bytes.subarray(i, i + 4096));
  return btoa(text);
}

const problem = (p) => [String(p.line || "–"), p.column || "–", p.refused ? "✕ not taken" : "◐ taken and held", p.text || p.reason];

// report is what became, or would become, of each row.
const report = (r, taken) => [el("p", { class: "take" }, `${r.rowsTotal || 0} rows: ${r.rowsTaken || 0} ${taken ? "new readings taken" : "new readings"}${r.rowsHeld ? `, of which ${r.rowsHeld} are held as implausible` : ""}, ${r.rowsKnown || 0} known already, ${(r.problems || []).filter((p) => p.refused).length} refused.`),
  ...(r.warnings || []).map((w) => el("p", { class: "caution" }, `▲ Column ${w.column}: ${w.text}`)),
  table("Rows that are not as they should be", ["Line", "Column", "What happens", "Why"], (r.problems || []).slice(0, 500).map(problem), "Every row is as it should be."),
  table("How the columns were understood", ["Heading", "Is", "Unit"], (r.columns || []).map((c) => [c.heading, c.field || "left out", c.unitCode || "–"]), "")];

const rejects = (r) => { // the rows that were not taken, as a table to mend and send again
  const cell = (t) => `"${String(/^[=+\-@\t\r]/.test(t) ? "'" + t : t).replaceAll('"', '""')}"`;
  const text = ["line,column,reason,text", ...(r.problems || []).map((p) => [p.line || "", p.column || "", p.reason || "", p.text || ""].map(cell).join(","))].join("\r\n");
  return el("a", { href: URL.createObjectURL(new Blob([text], { type: "text/csv" })), download: "rows.csv" }, "Take the report away, CSV");
};

export async function importPage() {
  const head = [el("h2", {}, "Import readings"), el("p", {}, "A table with a unit in each heading, such as oat_c, torque_lbf_ft or pressure_altitude_ft; CSV, XLSX or Parquet. Columns that are needed: engine_serial, time_utc, pressure altitude, oat, torque, np, ng, itt, fuel flow; cas, phase and engine_hours where they are known.")];
  if (!has("analyst", "technician")) return [...head, el("p", {}, "An analyst or a technician imports readings.")];
  const file = field("import-file", "The file", { type: "file", accept: ".csv,.xlsx,.parquet,.txt" }), source = field("import-source", "Where it is from", { maxlength: "120", placeholder: "such as the trend log of the aircraft" });
  const answer = el("div", { id: "import-report", role: "status" }), no = el("p", { class: "refusal", role: "alert" }), check = el("button", { class: "large" }, "Check the file; nothing is taken yet");
  // ask sends the file. Each file has one key, so that taking it twice takes it once.
  async function ask(body, key, only) { return call("POST", "/v1/readings:import", { ...body, ...(only ? { validateOnly: true } : {}) }, only ? undefined : key); }
  async function guarded(button, action) {
    button.disabled = true;
    no.textContent = "";
    try { await action(); } catch (e) {
      if (!(e instanceof Refused)) throw e;
      no.textContent = "✕ " + e.message;
    } finally { button.disabled = false; }
  }
  const looked = async () => {
    answer.replaceChildren();
    if (!file.box.files[0]) throw new Refused("Choose a file first.");
    const body = { content: await base64(file.box.files[0]), ...(source.value() ? { source: source.value() } : {}) }, key = newKey(), r = await ask(body, key, true);
    const take = el("button", { type: "button", class: "large" }, `Take the ${r.rowsTaken || 0} new readings`);
    take.addEventListener("click", () => guarded(take, async () => {
      const done = await ask(body, key, false);
      answer.replaceChildren(el("h3", {}, "Taken"), ...report(done, true), el("p", {}, rejects(done)), el("ul", {}, ...(done.engines || []).map((e) => el("li", {}, link("engine/" + last(e), "Engine " + last(e))))), done.rowsHeld ? el("p", {}, link("held", "Look at the held readings")) : "");
      answer.scrollIntoView();
    }));
    const first = (r.readings || []).slice(0, 5).map((n) => [instant(n.readTime), ...["pressureAltitude", "oat", "torque", "ng", "itt", "fuelFlow"].map((k) => (n[k] ? `${n[k].text} ${n[k].unitCode}` : "–"))]);
    answer.replaceChildren(el("h3", {}, "Checked: nothing is taken yet"), ...report(r, false), table("The first new readings, as they would be kept", ["Read", "Pressure altitude", "Air", "Torque", "Ng", "ITT", "Fuel flow"], first, "No new reading is in it."),
      el("p", {}, rejects(r)), r.rowsTaken ? el("div", { class: "press" }, take) : el("p", {}, "Nothing new is in the file."));
  };
  return [...head, el("form", { id: "import-form", class: "entry", onsubmit: (event) => { event.preventDefault(); guarded(check, looked); } }, ...file.nodes, ...source.nodes, el("div", { class: "press" }, check, no)), answer];
}
