// The trend: dots are readings, hollow when not used; the line is the smoothed level; a gap of more than 20 days stays a gap.
// A telephone has a narrow drawing with fewer dates, so that its words are as large as on a desk.
const measures = () => (innerWidth < 700 ? { wide: 400, tall: 300, left: 36, dates: 2 } : { wide: 960, tall: 340, left: 56, dates: 5 });
const right = 16, top = 16, bottom = 40;
const day = 86400000, gap = 20 * day;

function shape(tag, attributes, text) {
  const node = document.createElementNS("http://www.w3.org/2000/svg", tag);
  for (const [name, value] of Object.entries(attributes)) node.setAttribute(name, value);
  if (text) node.textContent = text;
  return node;
}

export function drawTrend(trend) {
  const { wide, tall, left, dates } = measures();
  const points = trend.points.filter((p) => p.deviation).map((p) => ({ at: Date.parse(p.readTime), y: p.deviation.ittC, level: p.level && p.level.ittC, used: p.state === "ACCEPTED" }));
  const figure = document.createElement("figure");
  const caption = document.createElement("figcaption");
  caption.textContent = `ITT deviation from a clean engine, °C. Dots: readings (hollow: not used). Line: smoothed level. Dashed: work on the engine. ${trend.summary}`;
  if (points.length === 0) { caption.textContent = "No reading could be analysed yet."; figure.append(caption); return figure; }
  const from = points[0].at, to = Math.max(points[points.length - 1].at, from + day);
  const used = points.filter((p) => p.used).map((p) => p.y);
  const low = Math.min(-5, ...used) - 2, high = Math.max(20, ...used) + 2; // a fixed least range, so that noise makes no drama
  const x = (t) => left + ((t - from) / (to - from)) * (wide - left - right);
  const y = (v) => top + ((high - Math.min(high, Math.max(low, v))) / (high - low)) * (tall - top - bottom);
  const svg = shape("svg", { viewBox: `0 0 ${wide} ${tall}`, role: "img", "aria-label": caption.textContent });
  for (let v = Math.ceil(low / 5) * 5; v <= high; v += 5) {
    svg.append(shape("line", { class: "axis", x1: left, x2: wide - right, y1: y(v), y2: y(v), "stroke-opacity": v === 0 ? 1 : 0.2 }), shape("text", { x: wide < 500 ? 2 : 8, y: y(v) + 4 }, `${v > 0 ? "+" : ""}${v}`));
  }
  for (let i = 0; i <= dates; i++) {
    const t = from + ((to - from) * i) / dates;
    svg.append(shape("text", { x: x(t), y: tall - 14, "text-anchor": i === 0 ? "start" : i === dates ? "end" : "middle" }, new Date(t).toISOString().slice(0, 10)));
  }
  for (const e of trend.events) {
    const t = Date.parse(e.eventTime);
    if (t < from || t > to) continue;
    svg.append(shape("line", { class: "event", x1: x(t), x2: x(t), y1: top, y2: tall - bottom }), shape("text", { x: x(t) + (t > from + (to - from) * 0.85 ? -5 : 5), y: top + 12, "text-anchor": t > from + (to - from) * 0.85 ? "end" : "start" }, e.kind.replaceAll("_", " ").toLowerCase()));
  }
  for (const p of points) svg.append(shape("circle", { class: p.used ? "dot used" : "dot", cx: x(p.at), cy: y(p.y), r: 3 }));
  let path = "", before = -Infinity;
  const starts = trend.events.map((e) => Date.parse(e.eventTime));
  for (const p of points.filter((q) => q.level !== undefined && q.level !== null)) {
    const broken = p.at - before > gap || starts.some((s) => s > before && s <= p.at);
    path += `${broken ? "M" : "L"}${x(p.at).toFixed(1)} ${y(p.level).toFixed(1)}`;
    before = p.at;
  }
  svg.append(shape("path", { class: "line", d: path }));
  figure.append(svg, caption);
  return figure;
}
