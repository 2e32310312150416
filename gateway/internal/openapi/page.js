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

// call is an operation as a command to copy; what stands in it is invented.
function call(method, path, o) {
  const open = o.security && !o.security.length, request = contentOf(o.requestBody);
  const words = ["curl", open ? "" : '-H "Authorization: Bearer $TOKEN"', method === "get" || (method === "post" && request) ? "" : `-X ${method.toUpperCase()}`,
    `"${location.origin}${path.replace(/\{[^}]*\}/g, "demo")}"`];
  const body = request && request.example !== undefined ? ` \\\n  --json '${JSON.stringify(request.example, null, 2).replaceAll("'", "'\\''")}'` : "";
  return words.filter(Boolean).join(" ") + body;
}

const entries = Object.entries(doc.paths).flatMap(([path, methods]) => Object.entries(methods).map(([method, o]) => {
  const request = contentOf(o.requestBody), answer = contentOf(o.responses["200"]);
  const box = el("details", "", el("summary", `${method.toUpperCase()} ${path}`), el("p", o.description));
  box.addEventListener("toggle", () => {
    if (box.childElementCount > 2) return;
    const parameters = (o.parameters || []).map(follow).map((p) => el("tr", "", el("td", p.name), el("td", `${p.in}, ${nameOf(p.schema)}`), el("td", p.description || "")));
    box.append(el("h3", "As a call"), el("pre", call(method, path, o)));
    if (parameters.length) box.append(el("h3", "Parameters"), el("table", "", el("tbody", "", ...parameters)));
    if (request) box.append(el("h3", "Body: " + nameOf(request.schema)), fields(request.schema));
    if (answer) box.append(el("h3", "Answer: " + nameOf(answer.schema)), fields(answer.schema));
    if (answer && answer.example !== undefined) box.append(el("h3", "Answer, invented for demonstration only"), el("pre", JSON.stringify(answer.example, null, 2)));
  });
  return { box, words: `${method} ${path} ${o.description}`.toLowerCase() };
}));

document.getElementById("ways").append(...Object.entries(doc.components.securitySchemes).map(([name, way]) => el("li", `${name}: ${way.description}`)));

function show() {
  const words = find.value.toLowerCase().split(/\s+/).filter(Boolean);
  const found = entries.filter((e) => words.every((w) => e.words.includes(w)));
  list.replaceChildren(...found.map((e) => e.box));
  count.textContent = `${found.length} of ${entries.length} operations`;
}
find.addEventListener("input", show);
show();
