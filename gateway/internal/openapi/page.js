// The page of the API: every operation of openapi.json, found by words.
const doc = await (await fetch("/openapi.json")).json();
const list = document.getElementById("list"), find = document.getElementById("find"), count = document.getElementById("count");

function el(tag, text, ...children) {
  const node = document.createElement(tag);
  if (text) node.textContent = text;
  node.append(...children);
  return node;
}

const follow = (o) => (o && o.$ref ? o.$ref.slice(2).split("/").reduce((at, key) => at[key], doc) : o);
const nameOf = (schema) => (!schema ? "" : schema.$ref ? schema.$ref.split("/").pop() : schema.allOf ? nameOf(schema.allOf[0]) : schema.type === "array" ? nameOf(schema.items) + "[]" : schema.format || schema.type || "object");
const contentOf = (o) => o && Object.values(o.content || {})[0];

function fields(schema) {
  const known = follow(schema);
  const rows = Object.entries((known && known.properties) || {}).map(([name, p]) => el("tr", "", el("td", name), el("td", nameOf(p)), el("td", p.description || (follow(p) || {}).description || "")));
  return rows.length ? el("table", "", el("tbody", "", ...rows)) : el("p", "No fields.");
}

const entries = Object.entries(doc.paths).flatMap(([path, methods]) => Object.entries(methods).map(([method, o]) => {
  const request = contentOf(o.requestBody), answer = contentOf(o.responses["200"]);
  const box = el("details", "", el("summary", `${method.toUpperCase()} ${path}`), el("p", o.description));
  box.addEventListener("toggle", () => {
    if (box.childElementCount > 2) return;
    const parameters = (o.parameters || []).map(follow).map((p) => el("tr", "", el("td", p.name), el("td", `${p.in}, ${nameOf(p.schema)}`), el("td", p.description || "")));
    if (parameters.length) box.append(el("h3", "Parameters"), el("table", "", el("tbody", "", ...parameters)));
    if (request) box.append(el("h3", "Body: " + nameOf(request.schema)), fields(request.schema));
    if (answer) box.append(el("h3", "Answer: " + nameOf(answer.schema)), fields(answer.schema));
  });
  return { box, words: `${method} ${path} ${o.description}`.toLowerCase() };
}));

function show() {
  const words = find.value.toLowerCase().split(/\s+/).filter(Boolean);
  const found = entries.filter((e) => words.every((w) => e.words.includes(w)));
  list.replaceChildren(...found.map((e) => e.box));
  count.textContent = `${found.length} of ${entries.length} operations`;
}
find.addEventListener("input", show);
show();
