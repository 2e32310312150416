// What a page gives to whoever can't see it, can't use a pointer, or needs it larger. It gives a line for each fault: the rule, and where. The rules are those of WCAG 2.2 that
// can be told from the page as it stands; whether words make sense stays for people to judge. It is evaluated in the page, as a function without arguments.
() => {
  const faults = new Set();
  const where = (n) => `${n.localName}${n.id ? "#" + n.id : ""}${n.className && typeof n.className === "string" ? "." + n.className.trim().replace(/\s+/g, ".") : ""} “${(n.textContent || n.value || "").trim().slice(0, 40)}”`;
  const fault = (rule, n) => faults.add(rule + ": " + (n instanceof Node ? where(n) : n));
  const all = (selector, root = document) => [...root.querySelectorAll(selector)];
  const seen = (n) => n.checkVisibility({ visibilityProperty: true }) && n.getClientRects().length > 0;
  const named = (ids) => (ids || "").split(/\s+/).filter(Boolean).map((id) => document.getElementById(id)).filter(Boolean).map((n) => n.textContent).join(" ").trim();

  // 4.1.2, 2.4.4, 3.3.2: what can be used says what it is; what is typed into has a label of its own.
  const controls = all("a[href], button, input, select, textarea, summary, [role=button], [tabindex='0']").filter((n) => seen(n) && n.type !== "hidden");
  const labelled = (n) => named(n.getAttribute("aria-labelledby")) || (n.getAttribute("aria-label") || "").trim() || [...(n.labels || [])].map((l) => l.textContent).join(" ").trim();
  for (const n of controls) {
    const typed = n.matches("input, select, textarea");
    if (!labelled(n) && (typed || !n.textContent.trim())) fault(typed ? "label" : "name", n);
  }

  // 1.3.1, 2.4.1, 2.4.2, 2.4.6, 3.1.1: the page and its parts.
  if (!document.documentElement.lang.trim()) fault("lang", "html");
  if (!document.title.trim()) fault("title", "head");
  if (all("h1").filter(seen).length !== 1) fault("one h1", `${all("h1").filter(seen).length} of them`);
  if (all("main").length !== 1) fault("landmark", `${all("main").length} main`);
  if (!document.querySelector("body > header")) fault("landmark", "no header");
  if (!document.querySelector("body > footer")) fault("landmark", "no footer");
  for (const n of all("nav")) if (!labelled(n)) fault("landmark", n);
  const skip = document.querySelector("a[href^='#']");
  if (!skip || skip !== document.querySelector("a[href], button, input, select, textarea, summary")) fault("skip link", "the first thing that the keyboard reaches is another");
  let level = 0;
  for (const h of all("h1, h2, h3, h4, h5, h6").filter(seen)) {
    const now = Number(h.localName[1]);
    if (now > level + 1) fault("heading level", h);
    level = now;
  }

  // 4.1.1 of old, 1.3.1: ids are of one element, and what is named is there.
  const ids = all("[id]").map((n) => n.id);
  for (const id of new Set(ids.filter((one, i) => ids.indexOf(one) !== i))) fault("duplicate id", id);
  for (const attribute of ["aria-describedby", "aria-labelledby", "aria-controls", "for"]) for (const n of all(`[${attribute}]`)) {
    for (const id of n.getAttribute(attribute).split(/\s+/)) if (!document.getElementById(id)) fault("names nothing", `${attribute}="${id}"`);
  }
  for (const n of all("[tabindex]")) if (n.tabIndex > 0) fault("focus order", n);

  // 1.1.1: pictures say what they show.
  for (const n of all("img")) if (!n.hasAttribute("alt")) fault("alternative", n);
  for (const n of all("svg, canvas, [role=img]").filter(seen)) if (!labelled(n) && !n.querySelector(":scope > title") && n.getAttribute("aria-hidden") !== "true") fault("alternative", n);
  for (const n of all("dialog[open], [role=dialog]").filter(seen)) if (!labelled(n)) fault("dialog", n);

  // 1.3.1: tables say what their cells are of.
  for (const t of all("main table")) {
    if (!t.caption || !t.caption.textContent.trim()) fault("table caption", t);
    const heads = all("th", t);
    if (!heads.length) fault("table header", t);
    for (const h of heads) if (!["col", "row", "colgroup", "rowgroup"].includes(h.getAttribute("scope"))) fault("table header", h);
  }

  // 1.4.3: text on its ground, 4.5 to 1, and 3 to 1 where it is large.
  const part = (v) => { const c = v / 255; return c <= 0.04045 ? c / 12.92 : ((c + 0.055) / 1.055) ** 2.4; };
  const light = ([r, g, b]) => 0.2126 * part(r) + 0.7152 * part(g) + 0.0722 * part(b);
  const colour = (text) => { const [r, g, b, a = 1] = (text.match(/[\d.]+/g) || [0, 0, 0, 0]).map(Number); return [r, g, b, a]; };
  const over = (top, below) => [0, 1, 2].map((i) => top[i] * top[3] + below[i] * (1 - top[3])).concat(1);
  function ground(n) {
    const layers = [];
    for (let a = n; a; a = a.parentElement) {
      const c = colour(getComputedStyle(a).backgroundColor);
      if (c[3]) layers.push(c);
      if (c[3] === 1) break;
    }
    return layers.reduceRight((below, top) => over(top, below), [255, 255, 255, 1]);
  }
  const texts = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
  for (let t = texts.nextNode(); t; t = texts.nextNode()) {
    const n = t.parentElement;
    if (!t.data.trim() || n.closest("svg, script, style, noscript, option") || !seen(n)) continue;
    const style = getComputedStyle(n), back = ground(n), text = over(colour(style.color), back), [high, low] = [light(text), light(back)].sort((a, b) => b - a);
    const size = parseFloat(style.fontSize), large = size >= 24 || (size >= 18.66 && Number(style.fontWeight) >= 700), ratio = (high + 0.05) / (low + 0.05);
    if (ratio < (large ? 3 : 4.5)) fault("contrast", `${where(n)} ${ratio.toFixed(2)}`);
    for (let a = n; a; a = a.parentElement) if (Number(getComputedStyle(a).opacity) < 1) fault("contrast", `${where(a)} is translucent`);
  }

  // Our own rule: a time of day says its zone, and a box for one in its label.
  const said = (text) => (text.match(/(?<![\d:.])\d{1,2}:\d\d(:\d\d(\.\d+)?)?(?![\d:])(?! ?(Z|UTC|h\b|[+-]\d\d:?\d\d|[A-Z][a-z]+\/))/g) || []).length;
  for (const n of all("main p, main li, main td, main h2, main h3, main summary, main caption, #message, #alarm").filter(seen)) {
    if (!n.querySelector("p, li, td, table") && said(n.innerText || "")) fault("time zone", n);
  }
  for (const n of all("input[type='datetime-local'], input[type='time']").filter(seen)) if (!/UTC/.test(labelled(n))) fault("time zone", n);

  // 2.5.8: what is pressed is 24 px at least, but for links within a sentence.
  for (const n of controls) {
    const sentence = n.localName === "a" && getComputedStyle(n).display === "inline" && n.parentElement.textContent.trim() !== n.textContent.trim();
    const target = ["checkbox", "radio"].includes(n.type) && n.closest("label") ? n.closest("label") : n, { width, height } = target.getBoundingClientRect();
    if (!sentence && n.id !== "skip" && (width < 24 || height < 24)) fault("target size", `${where(n)} ${Math.round(width)}×${Math.round(height)}`);
  }

  // 1.4.10 and 1.4.4: the page is no wider than the window; a table of data may be, in a box of its own that the keyboard reaches.
  if (document.documentElement.scrollWidth > innerWidth) {
    const wide = all("main *").filter((n) => seen(n) && n.getBoundingClientRect().right > innerWidth + 1 && !n.closest(".scroll"));
    fault("reflow", `${document.documentElement.scrollWidth} px in a window of ${innerWidth}: ${wide.length ? where(wide.at(-1)) : ""}`);
  }
  return [...faults].sort();
}
