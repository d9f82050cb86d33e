// The matrix of pairs: sorted, pointed at, opened.
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
      const told = cuts.map(([events, consumers]) => {
        const ids = [...consumers].sort((x, y) => data.ranks[x] - data.ranks[y]).map(x => data.consumers[x][0]);
        return `${events.map(e => modeWords(data.events[e])).join(" and ")} fails ${list(ids, 8)}`;
      });
      const alone = a === b ? [] : [a, b].filter(x => pairs[data.sides[s]].has(x + "|" + x));
      return (data.sides.length > 1 ? data.sides[s] + ": " : "") + (told.length ? told.join("; ") : "no failure of it fails anything more") +
        (alone.length ? ` (${alone.join(" and ")} alone fails a consumer)` : "");
    });
    output.textContent = `${title}. ${capital(words.join("; "))}.`;
  }
  const modeWords = event => { const [id, mode] = event.split(":"); return `${id} (${mode || "loss"})`; };
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
