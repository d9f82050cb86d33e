// 'Fail it yourself': what is failed, shown and said; pointer, keyboard and address.
const view = {events: new Map(), phase: -1, stage: LAST, zoom: 0, touched: false};
const drawings = {};
let latest = {};

function evaluateAll() {
  latest = {};
  for (const side of data.sides) {
    const sys = systems[side], events = [];
    view.events.forEach((mode, id) => { if (sys.index.has(id)) events.push([sys.index.get(id), mode]); });
    const result = PowerfaultEngine.evaluate(sys, events);
    const states = statesOf(sys, result, rests[side], view.phase, view.stage);
    latest[side] = {sys, result, states, looks: looksOf(side, states)};
  }
}

function outcomesOf(side) {
  const {sys, result} = latest[side], found = new Map();
  for (let c = 0; c < result.outcomes.length; c++) {
    const outcome = view.phase < 0 ? result.outcomes[c] : Math.max(0, result.byPhase[view.phase][c]);
    let p = view.phase;
    if (p < 0) p = Math.max(0, result.byPhase.findIndex(own => own[c] === outcome));
    found.set(sys.ids[sys.components + c], {outcome, fails: outcome > sys.rides[c], v: sys.components + c, phase: p});
  }
  return found;
}

function why(side, answer) {
  const {sys, result} = latest[side];
  if (answer.outcome === 0) return "";
  const lost = answer.outcome > LAST;
  let text = reason(sys, result, answer.v, answer.phase, lost ? LAST : answer.outcome - 1);
  if (!lost) {
    const by = restoredBy(sys, result, answer.v, answer.phase, answer.outcome);
    text += by.length ? "; back by " + by.join(", ") : "; then back";
  }
  return text + (sys.phases.length > 1 ? ` (${sys.phases[answer.phase]})` : "");
}

function showAnswers() {
  const found = data.sides.map(outcomesOf), table = $("answers"), body = table.tBodies[0];
  table.tHead.textContent = "";
  body.textContent = "";
  const head = el("tr");
  const titles = ["Consumer", "Severity"];
  for (const side of data.sides) {
    const prefix = data.sides.length > 1 ? capital(side) + ": " : "";
    titles.push(prefix + "outcome", prefix + "why");
  }
  titles.forEach(t => head.append(el("th", {scope: "col"}, t)));
  table.tHead.append(head);
  const rows = data.consumers.map(([id, severity, title], i) => ({id, severity, title, i, answers: found.map(f => f.get(id))}))
    .filter(r => r.answers.some(a => a && a.outcome > 0));
  const bad = r => r.answers.some(a => a && a.fails);
  rows.sort((a, b) => bad(b) - bad(a) || data.ranks[a.i] - data.ranks[b.i] || a.i - b.i);
  for (const r of rows) {
    const row = el("tr");
    row.append(el("th", {scope: "row"}, r.title === r.id ? r.id : `${r.id}, ${r.title}`), el("td", {}, r.severity));
    r.answers.forEach((a, s) => {
      if (!a) { row.append(el("td", {}, "not in this system"), el("td")); return; }
      const cell = el("td"), word = data.outcomes[a.outcome];
      cell.append(el("span", {class: "tone " + (a.fails ? "bad" : a.outcome ? "doubt" : "good")},
        a.fails ? `${word}: fails` : a.outcome ? `${word}: rides through` : word));
      row.append(cell, el("td", {class: "reason"}, why(data.sides[s], a)));
    });
    body.append(row);
  }
  if (!rows.length) {
    const row = el("tr");
    row.append(el("td", {colspan: titles.length}, view.events.size ? "Every load and function keeps running." : "Nothing is failed: every load and function has power."));
    body.append(row);
  }
  data.sides.forEach((side, s) => {
    const failing = rows.filter(r => r.answers[s] && r.answers[s].fails).map(r => r.id);
    const dropped = rows.filter(r => r.answers[s] && !r.answers[s].fails && r.answers[s].outcome > 0).length;
    document.querySelector(`.panel[data-side="${side}"] .tally`).textContent =
      (failing.length ? `Fails ${failing.length}: ${list(failing, 8)}.` : "Fails nothing.") +
      (dropped ? ` ${dropped} more interrupted, but ${dropped > 1 ? "they ride" : "it rides"} through.` : "");
  });
}

function showDrawings() {
  for (const side of data.sides) {
    const drawing = drawings[side];
    paint(drawing, ...latest[side].looks);
    latest[side].looks[0].forEach(([look], n) => {
      const id = data.boxes[n][0];
      const failed = view.events.has(id), said = look + failed;
      if (drawing.said[n] === said) return;
      drawing.said[n] = said;
      drawing.boxes[n].g.setAttribute("aria-label", `${data.labels[id]}: ${data.looks[look][0]}`);
      drawing.boxes[n].g.setAttribute("aria-pressed", failed ? "true" : "false");
    });
  }
  const frame = view.touched ? frameOf(...data.sides.map(s => [drawings[s], latest[s].looks[0]])) : size;
  for (const side of data.sides) {
    const {svg} = drawings[side], box = frame.join(" ");
    // Without a chosen size: fit, but never so small that the words cannot be read.
    const readable = Math.max(room, 0.62 * frame[2]);
    const width = Math.round(view.zoom === 0 ? readable : view.zoom < 0 ? room : view.zoom * frame[2]) + "px";
    if (svg.getAttribute("viewBox") !== box) svg.setAttribute("viewBox", box);
    if (svg.style.width !== width) svg.style.width = width;
  }
}

// The width of a canvas: asked for only when it may have changed, since asking makes the browser lay the page out.
let room = 600;
function measure() {
  room = document.querySelector(".canvas").clientWidth || 600;
}

function address() {
  const events = [...view.events].map(([id, mode]) => mode === "loss" ? id : id + ":" + mode);
  return "#case=" + events.join(",") + (view.phase < 0 ? "" : "&phase=" + data.phases[view.phase]) +
    (view.stage === LAST ? "" : "&stage=" + data.stages[view.stage]);
}

function show(keepAddress) {
  if (!keepAddress) $("link-problem").hidden = true;
  evaluateAll();
  showDrawings();
  showAnswers();
  const place = $("failed-list");
  place.textContent = view.events.size ? "" : "nothing";
  view.events.forEach((mode, id) => {
    const chip = el("span", {class: "chip"}, mode === "loss" ? id : `${id} (${mode})`);
    const mend = el("button", {type: "button", "aria-label": "mend " + id}, "×");
    mend.addEventListener("click", () => { view.events.delete(id); show(); });
    chip.append(mend);
    place.append(chip);
  });
  const standing = systems[data.sides[data.sides.length - 1]];
  $("standing").textContent = standing.standing.length
    ? "Failed already, in every case: " + standing.standing.map(([v, mode]) =>
      standing.ids[v] + (mode === "loss" ? "" : ` (${mode})`)).join(", ") + "." : "";
  $("case-link").setAttribute("href", address());
  if (!keepAddress) try { history.replaceState(null, "", address()); } catch (_) { /* some browsers refuse on files */ }
}

function modesOf(id) {
  for (const side of [...data.sides].reverse()) {
    const sys = systems[side];
    if (sys.index.has(id)) return sys.modes[sys.index.get(id)];
  }
  return [];
}

function toggle(id) {
  if (view.events.has(id)) view.events.delete(id);
  else {
    const possible = modesOf(id), mode = $("mode").value;
    if (!possible.length) { say(`${id} does not fail by itself; fail what feeds it.`); return; }
    if (!possible.includes(mode)) say(`${mode} does not apply to ${id}; taken as ${possible[0]}. It can: ${possible.join(", ")}.`);
    view.events.set(id, possible.includes(mode) ? mode : possible[0]);
  }
  show();
}

function say(text) { document.querySelector(".tally").textContent = text; setTimeout(showAnswers, 4000); }

function reach(drawing, n) {
  const canvas = drawing.svg.parentNode, box = drawing.boxes[n].g.getBoundingClientRect(), area = canvas.getBoundingClientRect();
  canvas.scrollLeft += box.left - area.left - area.width / 2 + box.width / 2;
  canvas.scrollTop += box.top - area.top - area.height / 2 + box.height / 2;
}

let here = -1;
function markBox(n) {
  for (const side of data.sides) {
    const {boxes} = drawings[side];
    if (here >= 0) { boxes[here].g.setAttribute("tabindex", "-1"); boxes[here].g.classList.remove("here"); }
    boxes[n].g.setAttribute("tabindex", "0");
    boxes[n].g.classList.add("here");
  }
  here = n;
}

function focusBox(drawing, n) {
  markBox(n);
  drawing.boxes[n].g.focus({preventScroll: true});
  reach(drawing, n);
}

function step(drawing, n, dx, dy) {
  const from = drawing.rects[n];
  let best = -1, least = Infinity;
  drawing.rects.forEach((r, m) => {
    const ax = (r.x + r.width / 2 - from.x - from.width / 2), ay = (r.y + r.height / 2 - from.y - from.height / 2);
    const ahead = ax * dx + ay * dy, aside = Math.abs(ax * dy) + Math.abs(ay * dx);
    if (m === n || ahead < 4) return;
    const cost = ahead + 2.5 * aside;
    if (cost < least) { least = cost; best = m; }
  });
  if (best >= 0) focusBox(drawing, best);
}

function setUpExplorer() {
  $("explorer").hidden = false;
  for (const side of data.sides) {
    const canvas = document.querySelector(`.panel[data-side="${side}"] .canvas`), drawing = drawings[side] = copy(side);
    drawing.svg.setAttribute("role", "group");
    canvas.append(drawing.svg);
    drawing.boxes.forEach((b, n) => {
      b.g.setAttribute("role", "button");
      b.g.setAttribute("tabindex", "-1");
      b.g.addEventListener("click", () => { markBox(n); toggle(data.boxes[n][0]); });
      b.g.addEventListener("keydown", event => {
        const by = {ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1]}[event.key];
        if (by) { event.preventDefault(); step(drawing, n, ...by); }
        if (event.key === "Enter" || event.key === " ") { event.preventDefault(); toggle(data.boxes[n][0]); }
      });
    });
    let own = false;
    canvas.addEventListener("scroll", () => {
      if (own) { own = false; return; }
      for (const other of data.sides)
        if (other !== side) {
          const there = drawings[other].svg.parentNode;
          if (there.scrollLeft !== canvas.scrollLeft || there.scrollTop !== canvas.scrollTop) {
            there.scrollLeft = canvas.scrollLeft;
            there.scrollTop = canvas.scrollTop;
          }
        }
    });
  }
  measure();
  markBox(0);
  const known = new Map();
  data.boxes.forEach(([id], n) => {
    known.set(id.toLowerCase(), n);
    $("pick-list").append(el("option", {value: id}, data.labels[id]));
  });
  const picked = () => {
    const asked = $("pick").value.trim(), typed = asked.toLowerCase();
    if (known.has(typed)) return known.get(typed);
    const n = typed ? data.boxes.findIndex(([id]) => data.labels[id].toLowerCase().includes(typed)) : -1;
    if (n < 0) say(typed ? `No component called ${asked}.` : "Type the id of a component first.");
    return n;
  };
  $("add").addEventListener("click", () => {
    const n = picked();
    if (n >= 0) { toggle(data.boxes[n][0]); reach(drawings[data.sides[0]], n); }
  });
  $("pick").addEventListener("keydown", event => { if (event.key === "Enter") { event.preventDefault(); $("add").click(); } });
  $("find").addEventListener("click", () => { const n = picked(); if (n >= 0) focusBox(drawings[data.sides[0]], n); });
  $("clear").addEventListener("click", () => { view.events.clear(); show(); });
  $("phase").addEventListener("change", event => { view.phase = +event.target.value; show(); });
  $("stage").addEventListener("change", event => { view.stage = +event.target.value; show(); });
  const scale = () => parseFloat(drawings[data.sides[0]].svg.style.width) / (drawings[data.sides[0]].svg.viewBox.baseVal.width || 1);
  $("larger").addEventListener("click", () => { view.zoom = Math.min(4, scale() * 1.3); showDrawings(); });
  $("smaller").addEventListener("click", () => { view.zoom = Math.max(0.1, scale() / 1.3); showDrawings(); });
  $("fit").addEventListener("click", () => { view.zoom = -1; showDrawings(); });
  $("touched").addEventListener("click", event => {
    view.touched = !view.touched;
    event.target.setAttribute("aria-pressed", view.touched);
    showDrawings();
  });
  window.addEventListener("resize", () => { measure(); showDrawings(); });
}

function readAddress() {
  let hash = location.hash.slice(1);
  try { hash = decodeURIComponent(hash); } catch (_) { /* broken escapes are read as they stand, and refused below */ }
  if (!hash.startsWith("case=")) return false;
  view.events.clear();
  const unknown = [];
  for (const part of hash.split("&")) {
    const [key, value] = [part.slice(0, part.indexOf("=")), part.slice(part.indexOf("=") + 1)];
    if (key === "phase") { view.phase = data.phases.indexOf(value); if (view.phase < 0) unknown.push(`phase ${value}`); }
    if (key === "stage") {
      view.stage = data.stages.includes(value) ? data.stages.indexOf(value) : LAST;
      if (!data.stages.includes(value)) unknown.push(`stage ${value}`);
    }
    if (key === "case")
      for (const event of value.split(",").filter(Boolean)) {
        const [id, mode] = event.split(":"), possible = modesOf(id);
        if (possible.includes(mode || "loss")) view.events.set(id, mode || "loss");
        else unknown.push(event);
      }
  }
  if (!hash.includes("phase=")) view.phase = -1;
  if (!hash.includes("stage=")) view.stage = LAST;
  $("phase").value = view.phase;
  $("stage").value = view.stage;
  show(true);
  $("link-problem").hidden = !unknown.length;
  $("link-problem").textContent = unknown.length
    ? `The link does not fit this report: ${list(unknown, 6)} ${unknown.length > 1 ? "are" : "is"} not in either system, or cannot fail so. ` +
      "Below, only the rest of the link is shown; it is not the case that the link names." : "";
  $("explore").scrollIntoView();
  const first = data.boxes.findIndex(([id]) => view.events.has(id));
  if (first >= 0) reach(drawings[data.sides[0]], first);
  return true;
}
