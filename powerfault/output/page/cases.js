// The table of all cases: filtered and sorted here, with only the rows in view in the page.
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
