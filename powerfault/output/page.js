// The page: paints drawings from the one layout, answers 'fail it yourself', the matrix of pairs and the table of cases.
"use strict";
(() => {
  const data = JSON.parse(document.getElementById("data").textContent);
  const SVG = "http://www.w3.org/2000/svg", LAST = data.stages.length - 1;
  const $ = id => document.getElementById(id);
  const el = (name, attributes, text) => {
    const made = document.createElement(name);
    for (const k in attributes || {}) made.setAttribute(k, attributes[k]);
    if (text !== undefined) made.textContent = text;
    return made;
  };
  const svgEl = (name, attributes) => {
    const made = document.createElementNS(SVG, name);
    for (const k in attributes) made.setAttribute(k, attributes[k]);
    return made;
  };
  const capital = s => s.charAt(0).toUpperCase() + s.slice(1);
  const list = (names, most) => names.slice(0, most).join(", ") + (names.length > most ? ` and ${names.length - most} more` : "");

  // ---- the layout, copied and painted

  const layout = document.querySelector("#layout").content.querySelector("svg");
  const marks = svgEl("svg", {width: 0, height: 0, "aria-hidden": "true"});
  marks.append(layout.querySelector("defs"));
  document.body.append(marks);
  const size = layout.getAttribute("viewBox").split(" ").map(Number);
  const looks = Object.keys(data.looks);

  function copy(side) {
    const svg = layout.cloneNode(true);
    svg.removeAttribute("width");
    svg.removeAttribute("height");
    svg.setAttribute("aria-label", "Drawing of the system, " + side);
    const boxes = [], lines = [], rects = [];
    for (const g of svg.querySelectorAll(".box")) {
      const n = +g.dataset.n, change = data.boxes[n][3], halo = g.querySelector(".halo");
      const onSide = change === "removed" ? "before" : "after";
      if (halo) {
        if (onSide !== side) halo.remove();
        else {
          const r = halo.querySelector("rect");
          g.append(svgEl("use", {href: "#m-" + change, x: +r.getAttribute("x") + 4, y: +r.getAttribute("y") + 4}));
        }
      }
      rects[n] = (([x, y, width, height]) => ({x, y, width, height}))(g.dataset.r.split(" ").map(Number));
      boxes[n] = {g, x: +g.dataset.x, y: +g.dataset.y, mark: null, tripped: null, look: ""};
    }
    for (const g of svg.querySelectorAll(".line")) {
      const n = +g.dataset.n;
      if (g.dataset.change === side) {
        const under = g.querySelector("path").cloneNode(true);
        under.setAttribute("class", side === "after" ? "under" : "under gone");
        g.prepend(under);
      }
      lines[n] = g;
    }
    return {svg, boxes, lines, rects, side};
  }

  function paint(drawing, boxLooks, lineLooks) {
    boxLooks.forEach(([look, tripped], n) => {
      const b = drawing.boxes[n], state = look + (tripped ? "*" : "");
      if (b.look === state) return;
      b.look = state;
      b.g.setAttribute("class", "box s-" + look + (b.g.classList.contains("here") ? " here" : ""));
      if (b.mark) b.mark.remove();
      if (b.tripped) b.tripped.remove();
      b.mark = b.tripped = null;
      const mark = data.looks[look][2];
      if (mark) b.g.append(b.mark = svgEl("use", {href: "#m-" + mark, x: b.x, y: b.y}));
      if (tripped) b.g.append(b.tripped = svgEl("use", {href: "#m-tripped", x: b.x - 14, y: b.y}));
    });
    lineLooks.forEach((look, n) => drawing.lines[n].setAttribute("class", "line l-" + look));
  }

  function frameOf(...several) {
    let x = Infinity, y = Infinity, right = -Infinity, bottom = -Infinity;
    for (const [drawing, boxLooks] of several)
      boxLooks.forEach(([look], n) => {
        if (look === "live" || look === "idle" || look === "open" || look === "absent") return;
        const b = drawing.rects[n];
        x = Math.min(x, b.x); y = Math.min(y, b.y);
        right = Math.max(right, b.x + b.width); bottom = Math.max(bottom, b.y + b.height);
      });
    if (x === Infinity) return size;
    const pad = 34, x0 = Math.max(0, x - pad), y0 = Math.max(0, y - pad);
    return [x0, y0, Math.min(size[2], right + pad) - x0, Math.min(size[3], bottom + pad) - y0];
  }

  // What lies outside the frame is left out: a page holds many drawings.
  function prune(drawing, [x, y, width, height]) {
    const outside = (left, top, right, bottom) => right < x || bottom < y || left > x + width || top > y + height;
    drawing.rects.forEach((r, n) => {
      if (outside(r.x - 9, r.y - 9, r.x + r.width + 9, r.y + r.height + 9)) drawing.boxes[n].g.remove();
    });
    for (const line of drawing.lines) {
      const at = line.querySelector("path").getAttribute("d").match(/-?[\d.]+/g).map(Number);
      const xs = at.filter((_, i) => i % 2 === 0), ys = at.filter((_, i) => i % 2 === 1);
      if (outside(Math.min(...xs), Math.min(...ys), Math.max(...xs), Math.max(...ys))) line.remove();
    }
  }

  // Drawings of the cases: painted when they come near the window, all of them before printing.
  function paintSlot(slot) {
    if (slot.dataset.done) return;
    slot.dataset.done = "1";
    const number = +slot.dataset.drawn, side = slot.dataset.side, entry = data.drawn[number + 1];
    const [boxes, lines] = entry[side], drawing = copy(side);
    paint(drawing, boxes.map(c => [looks[c >> 1], c & 1]), lines.map(c => data.lineNames[c]));
    const frame = number < 0 ? size : entry.frame;
    prune(drawing, frame);
    drawing.svg.setAttribute("viewBox", frame.join(" "));
    drawing.svg.setAttribute("aria-label", capital(side) + ": " + (entry.failed.join(" and ") || "nothing") + " failed");
    slot.querySelector(".room").replaceChildren(drawing.svg);
  }
  const slots = [...document.querySelectorAll(".slot[data-drawn]")];
  const near = new IntersectionObserver(found => found.forEach(f => {
    if (f.isIntersecting) { near.unobserve(f.target); paintSlot(f.target); }
  }), {rootMargin: "600px"});
  slots.forEach(s => {
    // The place is kept free, so that nothing moves when a drawing appears.
    const [, , width, height] = +s.dataset.drawn < 0 ? size : data.drawn[+s.dataset.drawn + 1].frame;
    const room = el("div", {class: "room"});
    room.style.aspectRatio = `${width} / ${height}`;
    s.append(room);
    if (width < 620) s.parentNode.classList.add("narrow");
    near.observe(s);
  });
  window.addEventListener("beforeprint", () => slots.forEach(paintSlot));

  for (const place of document.querySelectorAll(".legend"))
    for (const name of looks) {
      const [word, about, mark] = data.looks[name], item = el("span", {title: about});
      const svg = svgEl("svg", {width: 40, height: 22, viewBox: "-2 -7 42 24", "aria-hidden": "true"});
      const g = svgEl("g", {class: "s-" + name}), inner = svgEl("g", {});
      inner.append(svgEl("rect", {width: 30, height: 13}));
      g.append(inner);
      if (mark) g.append(svgEl("use", {href: "#m-" + mark, x: 29, y: 1}));
      svg.append(g);
      item.append(svg, word);
      place.append(item);
    }

  // ---- both systems, evaluated here

  const systems = {}, rests = {};
  for (const side of data.sides) {
    systems[side] = PowerfaultEngine.prepare(data.networks[side]);
    rests[side] = PowerfaultEngine.evaluate(
      PowerfaultEngine.prepare(Object.assign({}, data.networks[side], {standing: []})), []);
  }
  const worst = ["absent", "idle", "open", "live", "back1", "back2", "back3", "dark", "tripped", "zone"];

  // The same reading of a case as the separate drawings: see picture_states.py.
  function statesOf(sys, result, rest, phase, stage) {
    const found = new Array(sys.n);
    const phases = phase < 0 ? sys.phases.map((_, p) => p) : [phase];
    for (const p of phases) {
      const now = [];
      for (let v = 0; v < sys.n; v++) {
        let first = null;
        for (let s = 0; s <= stage && first === null; s++) if (result.stages[s][p].live[v]) first = s;
        const tripped = result.tripped[v] === 1, consumer = v >= sys.components;
        let look;
        if (consumer && !sys.judged[p][v - sys.components]) look = "idle";
        else if (result.stages[stage][p].zone[v]) { look = "zone"; first = null; }
        else if (first === null && tripped) look = "tripped";
        else if (!rest.stages[0][p].live[v] && (first === null || !consumer)) look = sys.normallyOpen[v] ? "open" : "idle";
        else look = first === null ? "dark" : first === 0 ? "live" : "back" + first;
        now.push({look, first, tripped});
      }
      for (let changed = true; changed;) {
        changed = false;
        now.forEach((state, v) => {
          if ((state.look !== "idle" && state.look !== "open") || state.first === null) return;
          const leads = sys.next[v].some(w => now[w].look.startsWith("back") && +now[w].look[4] >= state.first);
          if (!leads) return;
          state.look = state.first ? "back" + state.first : "live";
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

  // ---- the state of the explorer

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
        drawing.boxes[n].g.setAttribute("aria-label", `${data.labels[id]}: ${data.looks[look][0]}`);
        drawing.boxes[n].g.setAttribute("aria-pressed", view.events.has(id) ? "true" : "false");
      });
    }
    const frame = view.touched ? frameOf(...data.sides.map(s => [drawings[s], latest[s].looks[0]])) : size;
    for (const side of data.sides) {
      const {svg} = drawings[side], canvas = svg.parentNode;
      svg.setAttribute("viewBox", frame.join(" "));
      // Without a chosen size: fit, but never so small that the words cannot be read.
      const fit = canvas.clientWidth || 600, readable = Math.max(fit, 0.62 * frame[2]);
      svg.style.width = Math.round(view.zoom === 0 ? readable : view.zoom < 0 ? fit : view.zoom * frame[2]) + "px";
    }
  }

  function address() {
    const events = [...view.events].map(([id, mode]) => mode === "loss" ? id : id + ":" + mode);
    return "#case=" + events.join(",") + (view.phase < 0 ? "" : "&phase=" + data.phases[view.phase]) +
      (view.stage === LAST ? "" : "&stage=" + data.stages[view.stage]);
  }

  function show(keepAddress) {
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

  function focusBox(drawing, n, quiet) {
    for (const side of data.sides) {
      drawings[side].boxes.forEach(b => { b.g.setAttribute("tabindex", "-1"); b.g.classList.remove("here"); });
      drawings[side].boxes[n].g.setAttribute("tabindex", "0");
      if (!quiet) drawings[side].boxes[n].g.classList.add("here");
    }
    if (!quiet) { drawing.boxes[n].g.focus({preventScroll: true}); reach(drawing, n); }
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
        b.g.addEventListener("click", () => { focusBox(drawing, n); toggle(data.boxes[n][0]); });
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
    focusBox(drawings[data.sides[0]], 0, true);
    const known = new Map();
    data.boxes.forEach(([id], n) => {
      known.set(id.toLowerCase(), n);
      $("pick-list").append(el("option", {value: id}, data.labels[id]));
    });
    const picked = () => {
      const typed = $("pick").value.trim().toLowerCase();
      if (known.has(typed)) return known.get(typed);
      const n = typed ? data.boxes.findIndex(([id]) => data.labels[id].toLowerCase().includes(typed)) : -1;
      if (n < 0) say(typed ? `No component called ${typed}.` : "Type the id of a component first.");
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
    window.addEventListener("resize", showDrawings);
  }

  function readAddress() {
    const hash = decodeURIComponent(location.hash.slice(1));
    if (!hash.startsWith("case=")) return false;
    view.events.clear();
    for (const part of hash.split("&")) {
      const [key, value] = [part.slice(0, part.indexOf("=")), part.slice(part.indexOf("=") + 1)];
      if (key === "phase") view.phase = data.phases.indexOf(value);
      if (key === "stage") view.stage = Math.max(0, data.stages.indexOf(value));
      if (key === "case")
        for (const event of value.split(",").filter(Boolean)) {
          const [id, mode] = event.split(":"), possible = modesOf(id);
          if (possible.includes(mode || "loss")) view.events.set(id, mode || "loss");
        }
    }
    if (!hash.includes("phase=")) view.phase = -1;
    if (!hash.includes("stage=")) view.stage = LAST;
    $("phase").value = view.phase;
    $("stage").value = view.stage;
    show(true);
    $("explore").scrollIntoView();
    const first = data.boxes.findIndex(([id]) => view.events.has(id));
    if (first >= 0) reach(drawings[data.sides[0]], first);
    return true;
  }

  // ---- the matrix of pairs

  function setUpMatrix() {
    const area = $("matrices");
    if (!area) return;
    const CELL = 10, LABEL = 92, m = data.matrix;
    const tools = document.querySelector(".matrixtools"), output = $("matrix-case");
    tools.hidden = false;
    const pairs = {};   // side -> "a|b" -> [[events], [consumers]] cuts
    for (const side of data.sides) {
      pairs[side] = new Map();
      for (const cut of m.cuts[side]) {
        const ids = cut[0].map(e => data.events[e].split(":")[0]);
        const key = (ids.length === 1 ? [ids[0], ids[0]] : ids.sort()).join("|");
        if (!pairs[side].has(key)) pairs[side].set(key, []);
        pairs[side].get(key).push(cut);
      }
    }
    const keyOf = (a, b) => [a, b].sort().join("|");
    const rank = cuts => Math.min(...cuts.map(c => Math.min(...c[1].map(i => data.ranks[i]))));
    const harm = new Map(m.ids.map(id => [id, 0]));
    for (const side of data.sides)
      pairs[side].forEach((cuts, key) => key.split("|").forEach(id =>
        harm.set(id, harm.get(id) + Math.pow(8, 4 - rank(cuts)) * cuts.length)));
    let ids = m.ids;
    const svgs = [...area.querySelectorAll(".matrix")];
    const cursors = svgs.map(svg => { const c = svgEl("rect", {class: "cursor", width: CELL + 2, height: CELL + 2, visibility: "hidden"}); svg.append(c); return c; });

    function redraw() {
      const place = new Map(ids.map((id, i) => [id, i])), at = i => LABEL + CELL * i, whole = CELL * ids.length;
      svgs.forEach(svg => {
        const side = svg.dataset.side, paths = m.shares.map(() => "");
        let stripes = "";
        pairs[side].forEach((cuts, key) => {
          const [i, j] = key.split("|").map(id => place.get(id)), r = rank(cuts);
          if (i === j) stripes += `M${at(0)},${at(i)}h${whole}v${CELL}h-${whole}zM${at(i)},${at(0)}v${whole}h${CELL}v-${whole}z`;
          const s = CELL * m.shares[r], gap = (CELL - s) / 2;
          for (const [y, x] of i === j ? [[i, i]] : [[i, j], [j, i]])
            paths[r] += `M${at(x) + gap},${at(y) + gap}h${s}v${s}h-${s}z`;
        });
        svg.querySelector(".stripes").setAttribute("d", stripes);
        svg.querySelectorAll(".cells").forEach(c => c.setAttribute("d", paths[+c.dataset.rank]));
        svg.querySelectorAll(".labels text").forEach((t, n) => { const id = ids[n >> 1]; t.textContent = id.length > 15 ? id.slice(0, 7) + "…" + id.slice(-7) : id; });
      });
    }
    let here = [0, 0];
    const casesAt = (a, b) => data.sides.map(side => pairs[side].get(a === b ? a + "|" + a : keyOf(a, b)) || []);
    function tell(i, j) {
      here = [i, j];
      cursors.forEach(c => { c.setAttribute("x", LABEL + CELL * j - 1); c.setAttribute("y", LABEL + CELL * i - 1); c.setAttribute("visibility", "visible"); });
      const a = ids[i], b = ids[j], title = a === b ? `${a} alone` : `${a} and ${b}`;
      const words = casesAt(a, b).map((cuts, s) => {
        const consumers = [...new Set(cuts.flatMap(c => c[1]))].sort((x, y) => data.ranks[x] - data.ranks[y]).map(x => data.consumers[x][0]);
        const alone = a === b ? [] : [a, b].filter(x => pairs[data.sides[s]].has(x + "|" + x));
        return (data.sides.length > 1 ? data.sides[s] + ": " : "") + (consumers.length ? "fails " + list(consumers, 8) : "nothing more") +
          (alone.length ? ` (${alone.join(" and ")} alone fails a consumer)` : "");
      });
      output.textContent = `${title}. ${capital(words.join("; "))}.`;
    }
    function open(i, j) {
      const a = ids[i], b = ids[j], found = casesAt(a, b).flat();
      const event = found.length ? found[0][0].map(e => data.events[e]) : a === b ? [a] : [a, b];
      location.hash = "case=" + event.join(",");
    }
    svgs.forEach(svg => {
      svg.setAttribute("tabindex", "0");
      svg.setAttribute("role", "application");
      svg.setAttribute("aria-label", svg.getAttribute("aria-label") + "; arrow keys move, Enter opens the case");
      const cell = event => {
        const box = svg.getBoundingClientRect(), f = (LABEL + CELL * ids.length) / box.width;
        const i = Math.floor(((event.clientY - box.top) * f - LABEL) / CELL), j = Math.floor(((event.clientX - box.left) * f - LABEL) / CELL);
        return i >= 0 && j >= 0 && i < ids.length && j < ids.length ? [i, j] : null;
      };
      svg.addEventListener("pointermove", event => { const c = cell(event); if (c && (c[0] !== here[0] || c[1] !== here[1])) tell(...c); });
      svg.addEventListener("click", event => { const c = cell(event); if (c) open(...c); });
      svg.addEventListener("focus", () => tell(...here));
      svg.addEventListener("keydown", event => {
        const by = {ArrowLeft: [0, -1], ArrowRight: [0, 1], ArrowUp: [-1, 0], ArrowDown: [1, 0]}[event.key], n = ids.length;
        if (by) { event.preventDefault(); tell((here[0] + by[0] + n) % n, (here[1] + by[1] + n) % n); }
        if (event.key === "Enter") { event.preventDefault(); open(...here); }
      });
    });
    $("matrix-order").addEventListener("change", event => {
      const order = event.target.value;
      ids = order === "channel" ? m.ids : order === "file" ? [...m.ids].sort() : [...m.ids].sort((a, b) => harm.get(b) - harm.get(a));
      redraw();
    });
    $("matrix-wide").addEventListener("click", event => event.target.setAttribute("aria-pressed", area.classList.toggle("wide")));
  }

  // ---- the table of all cases: only the rows in view are in the page

  function setUpCases() {
    const frame = $("cases-table");
    if (!frame) return;
    frame.hidden = false;
    const ROW = 30, windowEl = $("case-window"), table = windowEl.querySelector("table"), body = table.tBodies[0];
    const two = data.sides.length > 1, none = data.severities.length;
    const name = i => data.consumers[i][0];
    const rows = data.cases.map(([events, was, now, droppedBefore, droppedAfter]) => {
      const row = {events, was, now, failed: events.map(e => data.events[e]).join(" + "), search: null};
      row.rank = Math.min(none, ...was.map(i => data.ranks[i]), ...now.map(i => data.ranks[i]));
      row.dropped = [droppedBefore, droppedAfter];
      return row;
    });
    const text = (fails, dropped) => fails.length ? fails.map(name).join(", ") : dropped.length ? `none; ${dropped.length} ride through` : "none";
    const columns = [
      ["failed", r => r.failed, (a, b) => a.failed < b.failed ? -1 : a.failed > b.failed ? 1 : 0],
      ["failures", r => r.events.length, (a, b) => a.events.length - b.events.length],
      ["most severe", r => r.rank < none ? data.severities[r.rank] : "", (a, b) => a.rank - b.rank],
      [two ? "fails before" : "fails", r => text(r.was, r.dropped[0]), (a, b) => b.was.length - a.was.length],
    ];
    if (two) columns.push(["fails after", r => text(r.now, r.dropped[1]), (a, b) => b.now.length - a.now.length]);
    let shown = rows, sorted = -1, down = false;
    const head = el("tr");
    columns.forEach(([title], c) => {
      const th = el("th", {scope: "col"}), button = el("button", {type: "button"}, title);
      button.addEventListener("click", () => {
        down = sorted === c ? !down : false;
        sorted = c;
        head.querySelectorAll("th").forEach((x, i) => {
          if (i === c) x.setAttribute("aria-sort", down ? "descending" : "ascending"); else x.removeAttribute("aria-sort");
        });
        refresh();
      });
      th.append(button);
      head.append(th);
    });
    table.tHead.append(head);
    const widths = el("colgroup");
    columns.forEach((_, c) => widths.append(el("col", {class: "c" + c})));
    table.prepend(widths);
    const above = el("tr", {"aria-hidden": "true"}), below = el("tr", {"aria-hidden": "true"});
    above.append(el("td", {colspan: columns.length}));
    below.append(el("td", {colspan: columns.length}));
    function draw() {
      const first = Math.max(0, Math.floor(windowEl.scrollTop / ROW) - 8), last = Math.min(shown.length, first + Math.ceil(windowEl.clientHeight / ROW) + 18);
      above.firstChild.style.height = first * ROW + "px";
      below.firstChild.style.height = (shown.length - last) * ROW + "px";
      above.firstChild.style.padding = below.firstChild.style.padding = "0";
      above.hidden = first === 0;
      below.hidden = last >= shown.length;
      const fresh = [above];
      for (let i = first; i < last; i++) {
        const row = el("tr", {"data-row": i});
        columns.forEach(([, value], c) => {
          const cell = el("td"), words = value(shown[i]);
          cell.title = words;
          if (c === 0) cell.append(el("a", {href: "#case=" + shown[i].events.map(e => data.events[e]).join(",")}, words));
          else cell.textContent = words;
          cell.style.height = ROW + "px";
          row.append(cell);
        });
        fresh.push(row);
      }
      fresh.push(below);
      body.replaceChildren(...fresh);
    }
    const kinds = {
      all: () => true,
      better: r => r.was.some(i => !r.now.includes(i)) && r.now.every(i => r.was.includes(i)),
      worse: r => r.now.some(i => !r.was.includes(i)),
      fails: r => (two ? r.now : r.was).length > 0,
    };
    function refresh() {
      const words = $("case-filter").value.toLowerCase().split(/\s+/).filter(Boolean), kind = kinds[$("case-kind").value];
      shown = rows.filter(r => {
        if (!kind(r)) return false;
        if (!words.length) return true;
        if (r.search === null) r.search = (r.failed + " " + [...r.was, ...r.now].map(name).join(" ")).toLowerCase();
        return words.every(w => r.search.includes(w));
      });
      if (sorted >= 0) { const by = columns[sorted][2]; shown = [...shown].sort((a, b) => down ? by(b, a) : by(a, b)); }
      $("case-count").textContent = `${shown.length.toLocaleString("en")} of ${rows.length.toLocaleString("en")} cases`;
      windowEl.scrollTop = 0;
      draw();
    }
    windowEl.addEventListener("scroll", draw);
    $("case-filter").addEventListener("input", refresh);
    $("case-kind").addEventListener("change", refresh);
    if (!two) for (const o of [...$("case-kind").options]) if (o.value === "better" || o.value === "worse") o.remove();
    refresh();
  }

  setUpExplorer();
  setUpMatrix();
  setUpCases();
  window.addEventListener("hashchange", readAddress);
  if (!readAddress()) show(true);
  // For the tests of the page: the answers as data.
  window.powerfaultPage = {data, systems, rests, engine: PowerfaultEngine, statesOf, looksOf, view, latest: () => latest};
})();
