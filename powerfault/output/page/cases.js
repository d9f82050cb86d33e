// The table of all cases: filtered and sorted here, with only the rows in view in the page.
function setUpCases() {
  const frame = $("cases-table");
  if (!frame) return;
  frame.hidden = false;
  const ROW = 30, windowEl = $("case-window"), table = windowEl.querySelector("table"), body = table.tBodies[0];
  const two = data.sides.length > 1, none = data.severities.length;
  const name = i => data.consumers[i][0];
  const {effects, groups, words, total} = data.cases, absent = data.cases.absent.map(own => new Set(own));
  const read = effects.map(([change, ...own]) => {
    const [was, now] = two ? own : [own[0], []], rides = two ? own.slice(2) : [own[1]];
    const rank = Math.min(none, ...was.map(i => data.ranks[i]), ...now.map(i => data.ranks[i]));
    return {change, was, now, rides, rank, search: [...was, ...now].map(name).join(" ").toLowerCase()};
  });
  const rows = [];
  for (const [first, pairs] of groups)
    for (let i = 0; i < pairs.length; i += 2) {
      const events = [...first, pairs[i]];
      rows.push({events, failed: events.map(e => data.events[e]).join(" + "), effect: read[pairs[i + 1]]});
    }
  // Single failures first, then the most severe.
  rows.forEach((row, n) => { row.n = n; });
  rows.sort((a, b) => (a.events.length > 1) - (b.events.length > 1) || a.effect.rank - b.effect.rank ||
    b.effect.was.length + b.effect.now.length - a.effect.was.length - a.effect.now.length || a.n - b.n);
  const text = (r, side) => {
    const fails = side ? r.effect.now : r.effect.was, rides = r.effect.rides[side].length;
    const missing = r.events.filter(e => absent[side].has(e)).map(e => data.events[e]);
    return (fails.length ? fails.map(name).join(", ") : rides ? `none; ${rides} ride through` : "none") +
      (missing.length ? ` (without ${missing.join(", ")}, not in this system)` : "");
  };
  const columns = [
    ["failed", r => r.failed, (a, b) => a.failed < b.failed ? -1 : a.failed > b.failed ? 1 : 0],
    ["failures", r => r.events.length, (a, b) => a.events.length - b.events.length],
    ["most severe", r => r.effect.rank < none ? data.severities[r.effect.rank] : "", (a, b) => a.effect.rank - b.effect.rank],
    [two ? "fails before" : "fails", r => text(r, 0), (a, b) => b.effect.was.length - a.effect.was.length],
  ];
  if (two) columns.push(["fails after", r => text(r, 1), (a, b) => b.effect.now.length - a.effect.now.length],
    ["change", r => words[r.effect.change], (a, b) => words[a.effect.change].localeCompare(words[b.effect.change])]);
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
    better: r => words[r.effect.change].startsWith("better"),
    worse: r => words[r.effect.change].endsWith("worse"),
    differs: r => r.effect.change > 0,
    fails: r => (two ? r.effect.now : r.effect.was).length > 0,
  };
  function refresh() {
    const asked = $("case-filter").value.toLowerCase().split(/\s+/).filter(Boolean), kind = kinds[$("case-kind").value];
    shown = rows.filter(r => {
      if (!kind(r)) return false;
      if (!asked.length) return true;
      const failed = r.failed.toLowerCase();
      return asked.every(w => failed.includes(w) || r.effect.search.includes(w));
    });
    if (sorted >= 0) { const by = columns[sorted][2]; shown = [...shown].sort((a, b) => down ? by(b, a) : by(a, b)); }
    $("case-count").textContent = `${shown.length.toLocaleString("en")} of ${rows.length.toLocaleString("en")} cases` +
      (rows.length < total ? `; ${(total - rows.length).toLocaleString("en")} more that the change does not alter are in cases.csv only` : "");
    windowEl.scrollTop = 0;
    draw();
  }
  windowEl.addEventListener("scroll", draw);
  $("case-filter").addEventListener("input", refresh);
  $("case-kind").addEventListener("change", refresh);
  refresh();
}
