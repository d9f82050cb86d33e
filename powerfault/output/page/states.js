// Both systems evaluated in the page: the look of every box and line, and why a consumer dropped.
const systems = {}, rests = {};
for (const side of data.sides) {
  systems[side] = PowerfaultEngine.prepare(data.networks[side]);
  rests[side] = PowerfaultEngine.evaluate(
    PowerfaultEngine.prepare(Object.assign({}, data.networks[side], {standing: []})), []);
}
const worst = ["absent", "idle", "open", "live", "back1", "back2", "back3", "held", "dark", "tripped", "zone"];

// The same reading of a case as the separate drawings: see picture_states.py.
function statesOf(sys, result, rest, phase, stage) {
  const found = new Array(sys.n);
  const phases = phase < 0 ? sys.phases.map((_, p) => p) : [phase];
  for (const p of phases) {
    const now = [];
    for (let v = 0; v < sys.n; v++) {
      let first = null;
      for (let s = 0; s <= stage && first === null; s++) if (result.stages[s][p].live[v]) first = s;
      const soon = result.atOnce && result.atOnce.stages;
      let held = null;
      if (first === null && soon && soon[stage][p].live[v])
        for (let s = 0; s <= stage && held === null; s++) if (soon[s][p].live[v]) held = s;
      const tripped = result.tripped[v] === 1, consumer = v >= sys.components;
      let look;
      if (consumer && !sys.judged[p][v - sys.components]) look = "idle";
      else if (result.stages[stage][p].zone[v]) { look = "zone"; first = held = null; }
      else if (first === null && held === null && tripped) look = "tripped";
      else if (!rest.stages[0][p].live[v] && (first === null || !consumer)) look = sys.normallyOpen[v] ? "open" : "idle";
      else if (held !== null) look = "held";
      else look = first === null ? "dark" : first === 0 ? "live" : "back" + first;
      if (first === null && !(consumer && look === "idle")) first = held;
      now.push({look, first, tripped});
    }
    for (let changed = true; changed;) {
      changed = false;
      now.forEach((state, v) => {
        if ((state.look !== "idle" && state.look !== "open") || state.first === null) return;
        if (sys.next[v].some(w => now[w].look.startsWith("back") && +now[w].look[4] >= state.first))
          state.look = state.first ? "back" + state.first : "live";
        else if (sys.next[v].some(w => now[w].look === "held" && now[w].first >= Math.max(1, state.first)))
          state.look = "held";
        else return;
        changed = true;
      });
    }
    now.forEach((state, v) => {
      if (!found[v] || worst.indexOf(state.look) > worst.indexOf(found[v].look)) found[v] = state;
    });
  }
  result.mode.forEach((mode, v) => {
    found[v] = {look: mode, first: mode === "stuck" || mode === "closed" ? found[v].first : null, tripped: false};
  });
  return found;
}

function looksOf(side, states) {
  const sys = systems[side];
  const boxStates = data.boxes.map(([id, , where]) =>
    where === "both" || where === side ? states[sys.index.get(id)] || null : null);
  const boxes = boxStates.map(s => s ? [s.look, s.tripped && s.look !== "tripped" ? 1 : 0] : ["absent", 0]);
  const lines = data.lines.map(([tail, head, twoWay, role, where]) => {
    if (where !== "both" && where !== side) return "absent";
    if (role !== "power") return role;
    const a = boxStates[tail], b = boxStates[head];
    if (!a || !b) return "absent";
    const bad = s => s.look === "zone" || s.look === "short" || s.look === "leak";
    if (bad(a) && bad(b)) return "zone";
    const fed = (twoWay ? [a, b] : [a]).filter(s => s.first !== null && s.look !== "idle" && s.look !== "open").map(s => s.first);
    return fed.length ? (Math.min(...fed) === 0 ? "live" : "back") : "dark";
  });
  return [boxes, lines];
}

// Why a node has no power at a stage: the shortest way back to what failed, tripped, gives nothing or stands open.
function reason(sys, result, v, p, stage) {
  const here = result.stages[stage][p], seen = new Set([v]), queue = [[v, []]];
  const name = w => sys.ids[w];
  const root = w => {
    const mode = result.mode.get(w);
    if (mode === "loss" || mode === "short" || mode === "leak") return `${name(w)} failed${mode === "loss" ? "" : ` (${mode})`}`;
    if (here.zone[w]) return `${name(w)} is in the fault zone`;
    if (mode === "stuck" || mode === "closed") return `${name(w)} failed (${mode})`;
    if (here.border[w] || (result.tripped[w] && !here.live[w])) return `${name(w)} cleared the fault and is open`;
    if (sys.storage[w] && result.stages[0][p].zone[w]) return `${name(w)} was in the fault zone`;
    if (w < sys.components && sys.source[w] && sys.dry[p][w]) return `${name(w)} gives nothing in this phase`;
    if (sys.unmated[w]) return `${name(w)} is not mated`;
    return "";
  };
  let fallback = "";
  while (queue.length) {
    const [w, way] = queue.shift(), cause = root(w);
    const through = way.length > 4 ? [...way.slice(0, 2), "…", ...way.slice(-2)] : way;
    if (cause) {
      const text = (through.length ? "through " + through.join(", ") + ": " : "") + cause;
      if (result.mode.has(w) || here.zone[w] || here.border[w]) return text;
      fallback = fallback || text;
    }
    if (sys.normallyOpen[w] && !here.live[w] && w !== v && !result.mode.has(w)) continue;
    const onward = [...sys.needs[w].map(([u]) => u), ...sys.members[w], ...(sys.chargers[w] || []), ...sys.upstream[w]];
    for (const u of onward)
      if (!here.live[u] && !seen.has(u)) {
        seen.add(u);
        queue.push([u, w === v ? [] : [...way, name(w)]]);
      }
  }
  return fallback || "no path from a source that gives power";
}

// What had to be closed or mated for a node that came back at stage k.
function restoredBy(sys, result, v, p, k) {
  const now = result.stages[k][p], before = result.stages[k - 1][p], seen = new Set([v]), queue = [v], by = [];
  while (queue.length && by.length < 3) {
    const w = queue.shift();
    const operated = sys.switched[w] && now.operable[w] && (sys.normallyOpen[w] || result.tripped[w]);
    if (operated || (sys.unmated[w] && sys.crewMates[w])) { by.push(sys.ids[w]); continue; }
    for (const u of [...sys.upstream[w], ...sys.needs[w].map(([x]) => x), ...sys.members[w]])
      if (now.live[u] && !before.live[u] && !seen.has(u)) { seen.add(u); queue.push(u); }
  }
  return by;
}
