// An order as it will be once the entries that wait have arrived, so that work goes on meanwhile. Everything that is not there yet is marked.

function acknowledged(world, entry, me) {
  const step = world.steps.find((s) => s.name === entry.step);
  if (step) Object.assign(step, { acknowledger: me, waiting: true });
}

function completed(world, entry, me) {
  const step = world.steps.find((s) => s.name === entry.step);
  if (step) Object.assign(step, { state: entry.body.notApplicable ? "NOT_APPLICABLE" : "DONE", performer: me, completeTime: entry.made, note: entry.body.note, waiting: true });
}

function measured(world, entry, me) {
  world.measurements.push({ name: "", step: entry.step, key: entry.body.key, entered: entry.body.entered, tool: entry.body.tool, limitsMet: !entry.body.exceedanceConfirmed,
    person: me, measureTime: entry.made, waiting: true });
}

function ran(world, entry) {
  world.runs.push({ step: entry.step, ...entry.body, waiting: true });
}

const kinds = [[/:acknowledge$/, acknowledged], [/:complete$/, completed], [/\/measurements$/, measured], [/\/motoringRuns$/, ran]];

// overlaid puts waiting entries over an order as it was read; what was refused is shown where its maker decides about it.
export function overlaid(world, entries, me) {
  const made = structuredClone(world);
  for (const entry of entries.filter((e) => e.state === "WAITING")) {
    const kind = kinds.find(([pattern]) => pattern.test(entry.path));
    if (kind) kind[1](made, entry, me);
  }
  return { ...made, waiting: entries.length };
}

// arrived puts what the suite answered to an entry into the order as this device keeps it, so that it is not asked for again should the connection
// go before the order was read anew. When the starter may run next is not known from an answer.
export function arrived(world, entry, answer) {
  if (/\/measurements$/.test(entry.path)) world.measurements.push(answer);
  else if (/\/motoringRuns$/.test(entry.path)) Object.assign(world, { runs: [...world.runs, answer], limits: { none: "A run was recorded since the limits were read. They are read anew once there is a connection." } });
  else world.steps = world.steps.map((s) => (s.name === answer.name ? answer : s));
  return world;
}
