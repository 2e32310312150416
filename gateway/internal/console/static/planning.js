// Pages of planners and quality: what is due and why, how a thing stood on a date, the lists, evidence and record packs. Like the rest of the
// console they live on the public API, and text is set as text.
const bands = ["", "OVERDUE", "IN_TOLERANCE", "DUE", "NEAR", "ATTENTION", "CURRENT", "NO_DATA", "EXEMPT"];
const kinds = ["", "INSPECTION", "DIRECTIVE", "BULLETIN", "LIFE_LIMIT", "OVERHAUL", "COMPONENT_CHECK", "CALIBRATION", "PROGRAMME_ITEM"];
const standings = { OPEN: ["look", "▲"], RECURRING: ["info", "↻"], COMPLIED: ["good", "○"], TERMINATED: ["good", "●"], SUPERSEDED: ["none", "–"], UNKNOWN: ["bad", "■"] };

export function planning({ get, call, el, link, table, chip, date, instant, last, attempt, Refused }) {
  const words = (text) => String(text || "").replaceAll("_", " ");
  const hours = (seconds) => (Number(seconds || 0) / 3600).toFixed(1) + " h";
  const counters = (c) => (c ? `${hours(c.operatingSeconds)}, ${c.cycles} cycles, ${c.starts} starts` : "–");
  const standing = (s) => {
    const [kind, shape] = standings[s] || ["none", "◌"];
    return el("span", { class: "chip " + kind }, `${shape} ${words(s)}`);
  };
  const document_ = (d) => (d && d.title ? [d.title, d.revision && "rev. " + d.revision, d.section].filter(Boolean).join(", ") : "–");

  // counted are the units of counters; all others are days of the calendar.
  const counted = { HOURS: hours, CYCLES: String, STARTS: String };
  // left is what is left in each unit, in words.
  const left = (all) => (all || []).map((r) => counted[r.unit] ? `${words(r.unit).toLowerCase()}: ${counted[r.unit](r.left)}` : `calendar: ${r.left} days`).join("; ") || "–";

  const choice = (name, title, values, chosen) => [el("label", { for: name }, title),
    el("select", { id: name, name }, ...values.map((v) => el("option", { value: v, selected: v === chosen ? "" : undefined }, v ? words(v) : "all")))];
  const text = (name, title, value, more = {}) => [el("label", { for: name }, title), el("input", { id: name, name, value: value || undefined, autocomplete: "off", ...more })];

  // ask is a form whose answers stand in the page's address, so that a page can be kept, sent and printed.
  const ask = (page, button, ...fields) => el("form", { class: "ask", onsubmit: (event) => {
    event.preventDefault();
    const asked = new URLSearchParams([...new FormData(event.target)].filter(([, v]) => v));
    location.hash = `#/${page}?${asked}`;
  } }, ...fields.map((f) => el("div", {}, ...f)), el("button", {}, button));

  const quoted = (v) => JSON.stringify(v);
  const filterOf = (asked) => [asked.get("band") && `band = ${asked.get("band")}`, asked.get("kind") && `kind = ${asked.get("kind")}`,
    asked.get("subject") && `subject = ${quoted(asked.get("subject"))}`, asked.get("before") && `due_date < ${quoted(asked.get("before"))}`].filter(Boolean).join(" AND ");

  // taken are the links under which a list is taken away.
  const taken = (content, filter) => el("p", { class: "take" }, "Take it away: ", ...["CSV", "XLSX", "PDF"].flatMap((format) =>
    [el("a", { href: `/v1/dueItems:export?content=${content}&format=${format}&filter=${encodeURIComponent(filter || "")}`, download: "" }, format), " "]),
  el("button", { type: "button", onclick: () => print() }, "Print"));

  // why opens under an item: each line of the arithmetic, so that it can be done again by hand.
  const why = (item) => {
    const lines = el("div", {});
    return el("details", { ontoggle: (event) => {
      if (!event.target.open || lines.childElementCount) return;
      attempt(async () => {
        const said = await get(`/v1/${item.name}:explain`);
        lines.replaceChildren(el("ol", {}, ...said.lines.map((line) => el("li", {}, line))), el("p", {}, "By " + document_(said.document)),
          el("p", {}, el("a", { href: `#/evidence?requirement=${encodeURIComponent(item.requirement)}&subject=${encodeURIComponent(item.subject)}` }, "Evidence")));
      });
    } }, el("summary", {}, item.explanation || item.bandReason || "Why?"), lines);
  };

  // all walks the pages of a list.
  const all = async (path, field) => {
    const out = [];
    for (let token = ""; ;) {
      const page = await get(`${path}${path.includes("?") ? "&" : "?"}pageSize=1000&pageToken=${encodeURIComponent(token)}`);
      out.push(...(page[field] || []));
      token = page.nextPageToken;
      if (!token || out.length >= 5000) return out;
    }
  };

  const lifeRows = (lives) => lives.map((l) => [`${l.partNumber} ${l.serial}`, last(l.host) || "in stores", chip(l.band), String(l.usedCycles), String(l.cycleLimit), String(l.remainingCycles),
    l.bandReason || (l.traceable ? "" : `history lacks ${l.gapCycles} cycles`), document_(l.document)]);
  const lifeHeads = ["Part", "On", "Band", "Used, cycles", "Limit", "Left", "Note", "By"];
  const findingRows = (found) => found.map((f) => [link("order/" + last(f.workOrder), last(f.workOrder)), last(f.engine), f.description, f.deferred ? "deferred " + (f.deferralCategory || "") : "open",
    date(f.originalDate), date(f.limitDate), chip(f.band), f.basis || "–"]);
  const findingHeads = ["Order", "Engine", "What was found", "State", "Found", "Last day", "Band", "Basis"];
  const standingRows = (list, subject) => list.map((s) => [s.code, s.requirementTitle, standing(s.standing), date(s.lastDoneDate), s.method || "–", left(s.remaining), s.reason || "–",
    el("a", { href: `#/evidence?requirement=${encodeURIComponent(s.requirement)}&subject=${encodeURIComponent(s.subject || subject)}` }, "Evidence")]);
  const standingHeads = ["Code", "Requirement", "Standing", "Last done", "How", "Left", "Why", "Shown by"];

  // stood is a thing at one time as it was known at another.
  const stood = (s) => [
    el("p", {}, el("span", { class: "chip " + (s.compliant ? "good" : "bad") }, s.compliant ? "○ COMPLIANT" : "■ NOT COMPLIANT"), ` ${s.subject}, true at ${instant(s.asOfTime)}, as known at ${instant(s.knownAtTime)}.`),
    el("p", {}, "Counters then: " + counters(s.counters) + "."), el("ul", {}, ...(s.exceptions || []).map((e) => el("li", {}, e))),
    table("Directives and other requirements with their standing", standingHeads, standingRows(s.requirementStatuses || [], s.subject), "No requirement was known."),
    table("What was due", ["Code", "Requirement", "Band", "Last done", "Due", "Left", "Why then"],
      (s.dueItems || []).map((d) => [d.requirementCode, d.requirementTitle, chip(d.band), date(d.lastDoneDate), date(d.dueDate), left(d.remaining), d.explanation || d.bandReason]), "Nothing was due."),
    table("Life-limited parts that were fitted", lifeHeads, lifeRows(s.lifeStatuses || []), "No life-limited part was fitted."),
    table("Findings that were open", findingHeads, findingRows(s.openFindings || []), "No finding was open."),
  ];

  // makePack has a pack made and leads to the packs.
  const makePack = (subject, asOf, known) => el("button", { type: "button", onclick: (event) => attempt(async () => {
    event.target.disabled = true;
    try {
      const body = { subject, asOfTime: asOf, knownAtTime: known };
      let op = await call("POST", "/v1/recordPacks", body, crypto.randomUUID());
      while (!op.done) op = await get(`/v1/${op.name}:wait`);
      if (op.error) throw new Refused(op.error.message);
      location.hash = "#/packs";
    } finally { event.target.disabled = false; }
  }) }, "Make a record pack of this");

  return {
    async due(_, asked) {
      const filter = filterOf(asked);
      const items = await all("/v1/dueItems?filter=" + encodeURIComponent(filter), "dueItems");
      const rows = items.map((d) => [d.requirementCode, d.requirementTitle, el("a", { href: "#/status?subject=" + encodeURIComponent(d.subject) }, d.subjectLabel), chip(d.band), date(d.dueDate),
        left(d.remaining), d.flyingPlanVersion ? "flying plan " + d.flyingPlanVersion : "rate", why(d)]);
      return [el("h2", {}, "Due list"), ask("due", "Show", choice("band", "Band", bands, asked.get("band")), choice("kind", "Kind", kinds, asked.get("kind")),
        text("subject", "On, such as engines/a", asked.get("subject")), text("before", "Due before", asked.get("before"), { type: "date" })), taken("DUE_LIST", filter),
      table(`${items.length} items, soonest first`, ["Code", "Requirement", "On", "Band", "Due", "Left", "Projected by", "Why then"], rows, "Nothing is due by this.")];
    },
    async status(_, asked) {
      const out = [el("h2", {}, "Status on a date"), ask("status", "Show", text("subject", "Of, such as engines/a or aircraft/b", asked.get("subject"), { required: "" }),
        text("asOf", "True at, UTC", asked.get("asOf"), { type: "datetime-local" }), text("known", "As known at, UTC", asked.get("known"), { type: "datetime-local" }))];
      if (!asked.get("subject")) return out;
      const at = (v) => (v ? v.slice(0, 16) + ":00Z" : "");
      const times = Object.entries({ asOfTime: at(asked.get("asOf")), knownAtTime: at(asked.get("known")) }).filter(([, v]) => v).map(([k, v]) => `&${k}=${v}`).join("");
      const s = await get(`/v1/complianceStatus?subject=${encodeURIComponent(asked.get("subject"))}${times}`);
      return [...out, ...stood(s), makePack(s.subject, s.asOfTime, s.knownAtTime)];
    },
    async directives(_, asked) {
      const filter = filterOf(asked) ? filterOf(asked) + " AND kind = DIRECTIVE" : "kind = DIRECTIVE";
      const items = await all("/v1/dueItems?filter=" + encodeURIComponent(filter), "dueItems");
      return [el("h2", {}, "Directives"), ask("directives", "Show", text("subject", "On, such as engines/a", asked.get("subject"))), taken("DIRECTIVES", filterOf(asked)),
        table("Directives that apply or may apply", ["Code", "Directive", "On", "Band", "Last done", "Due", "Why then"],
          items.map((d) => [d.requirementCode, d.requirementTitle, d.subjectLabel, chip(d.band), date(d.lastDoneDate), date(d.dueDate), why(d)]), "No directive applies.")];
    },
    async lives() {
      const lives = await all("/v1/components/-/lifeStatuses", "lifeStatuses");
      return [el("h2", {}, "Life limits"), taken("LIFE_LIMITS"), table("Life-limited parts", lifeHeads, lifeRows(lives), "No life-limited part is known.")];
    },
    async done(_, asked) {
      const filter = filterOf(asked);
      const items = await all("/v1/dueItems?filter=" + encodeURIComponent(filter), "dueItems");
      return [el("h2", {}, "Last done, next due"), ask("done", "Show", text("subject", "On, such as engines/a", asked.get("subject"))), taken("LAST_AND_NEXT", filter),
        table("When each was last done and is next due", ["Code", "Requirement", "On", "Last done", "At", "Next due", "Left", "Band"], items.map((d) =>
          [d.requirementCode, d.requirementTitle, d.subjectLabel, date(d.lastDoneDate), counters(d.lastDoneCounters), date(d.dueDate), left(d.remaining), chip(d.band)]), "No requirement applies.")];
    },
    async findings() {
      const found = await all("/v1/openFindings", "openFindings");
      return [el("h2", {}, "Open findings"), taken("OPEN_FINDINGS"), table("Open findings and deferrals", findingHeads, findingRows(found.filter((f) => !f.closed)), "No finding is open.")];
    },
    async evidence(_, asked) {
      const out = [el("h2", {}, "Evidence"), ask("evidence", "Show", text("requirement", "Requirement, such as requirements/a", asked.get("requirement"), { required: "" }),
        text("subject", "Of, such as engines/a", asked.get("subject"), { required: "" }))];
      if (!asked.get("requirement") || !asked.get("subject")) return out;
      const found = await get(`/v1/${asked.get("requirement")}:findEvidence?subject=${encodeURIComponent(asked.get("subject"))}`);
      const rows = (found.evidences || []).map((e) => [date(e.accomplishment.doneDate), words(e.kind), counters(e.accomplishment.counters),
        e.accomplishment.workOrder ? link("order/" + last(e.accomplishment.workOrder), "order " + last(e.accomplishment.workOrder)) : e.accomplishment.documentReference || "–",
        last(e.accomplishment.certifier) || "–", (e.accomplishment.contentHash || "").slice(0, 16), (e.documents || []).map((d) => `${d.mediaType} ${d.sha256.slice(0, 16)}`).join("; ") || "–"]);
      return [...out, table("Where it stands", standingHeads, standingRows([found.requirementStatus], asked.get("subject")), ""),
        table("What shows it, newest first", ["Done", "By what", "Counters then", "Record", "Certified by", "Hash", "Documents"], rows, "Nothing shows that it was done.")];
    },
    async packs() {
      const packs = await all("/v1/recordPacks", "recordPacks");
      return [el("h2", {}, "Record packs"), el("p", {}, "A pack is made from ", link("status", "the status on a date"), ". Whoever gets it checks it offline: coldsection pack verify FILE --key KEY."),
        table("Packs", ["Number", "Of", "True at", "As known at", "Files", "SHA-256", "Key", "Take"], packs.map((p) => [p.number, p.subject, instant(p.asOfTime), instant(p.knownAtTime),
          String(p.fileCount), el("code", {}, p.sha256), el("code", {}, p.publicKey), el("a", { href: `/v1/${p.name}:download`, download: p.number + ".zip" }, "Download")]), "No pack was made yet.")];
    },
  };
}

export const planningTitles = { due: "Due list", status: "Status on a date", directives: "Directives", lives: "Life limits", done: "Last and next", findings: "Open findings", packs: "Record packs" };
